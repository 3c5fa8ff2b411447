/* Draws the charts from the specs beside them, sorts and filters tables, hides names. No network, no storage. */
(() => {
  "use strict";
  const root = document.body.dataset.root || "";
  document.documentElement.classList.add("scripted");

  /* ---- tooltip: plain text in one box ---- */
  const tip = document.createElement("div");
  tip.className = "tip";
  tip.setAttribute("aria-hidden", "true");
  document.body.append(tip);
  const showTip = (handler, event, item, value) => {
    if (value === null || value === undefined || value === "") { tip.classList.remove("on"); return; }
    tip.textContent = typeof value === "object"
      ? Object.entries(value).map(([k, v]) => (k.trim() ? `${k}: ${v}` : `${v}`)).join("\n")
      : String(value);
    tip.classList.add("on");
    const x = Math.min(event.clientX + 14, window.innerWidth - tip.offsetWidth - 8);
    const y = event.clientY + 14 + tip.offsetHeight > window.innerHeight ? event.clientY - tip.offsetHeight - 10 : event.clientY + 14;
    tip.style.left = `${Math.max(x, 4)}px`;
    tip.style.top = `${y}px`;
  };

  /* ---- charts ---- */
  const specOf = (figure) => JSON.parse(figure.querySelector("script[type='application/json']").textContent);
  const unnamed = (spec, chosen) => {
    Object.values(spec.datasets || {}).forEach((rows) => rows.forEach((row) => {
      if (row.alias && row.person !== chosen) { row.was = row.label; row.label = row.alias; row.tip = row.alias; delete row.href; }
    }));
    const shown = new Map(Object.values(spec.datasets || {}).flat().filter((r) => r.alias).map((r) => [r.was || r.label, r.label]));
    (spec.params || []).filter((p) => p.name === "labels").forEach((p) => { p.value = p.value.map((l) => shown.get(l) || l); });
    return spec;
  };
  const draw = async (figure, spec) => {
    const place = figure.querySelector(".plot");
    const result = await window.vegaEmbed(place, spec, {
      renderer: "svg", logLevel: 1, actions: false, ast: true, defaultStyle: false, tooltip: showTip, loader: { target: "_self" },
      formatLocale: { decimal: ".", thousands: "\u202f", grouping: [3], currency: ["", ""] },
    });
    result.view.addEventListener("click", (event, item) => {
      if (item && item.datum && item.datum.href) { window.location.href = root + item.datum.href; }
    });
    result.view.addEventListener("mouseover", (event, item) => {
      place.classList.toggle("leads", Boolean(item && item.datum && item.datum.href));
    });
    place.firstElementChild?.setAttribute("aria-hidden", "true");
    figure.classList.add("drawn");
  };
  const drawAll = async () => {
    for (const figure of document.querySelectorAll("figure.chart")) {
      try { await draw(figure, specOf(figure)); } catch (error) {
        figure.querySelector("details")?.setAttribute("open", "");
        console.error(error);
      }
    }
    document.body.dataset.ready = "yes";
  };
  if (window.vegaEmbed) { drawAll(); } else {
    document.querySelectorAll("figure.chart details").forEach((d) => d.setAttribute("open", ""));
    document.body.dataset.ready = "yes";
  }

  /* ---- tables: sort by a heading, filter by words, show more ---- */
  const STEP = 60;
  const keyOf = (cell) => {
    const raw = cell.dataset.key;
    if (raw === undefined) { return cell.textContent.trim().toLowerCase(); }
    const value = Number(raw);
    return raw === "" ? null : Number.isNaN(value) ? raw : value;
  };
  document.querySelectorAll("table.lively").forEach((table) => {
    const body = table.tBodies[0];
    let rows = [...body.rows];
    const wanted = Number(table.dataset.first) || STEP;
    const first = rows.length <= wanted + 5 ? rows.length : wanted;
    let limit = first;
    let words = "";
    const more = document.createElement("button");
    more.type = "button";
    more.className = "more";
    const refresh = () => {
      let shown = 0;
      let matching = 0;
      rows.forEach((row) => {
        const fits = !words || row.textContent.toLowerCase().includes(words);
        matching += fits;
        row.hidden = !(fits && shown < limit);
        shown += !row.hidden;
      });
      more.hidden = shown >= matching;
      more.textContent = `Show ${Math.min(STEP, matching - shown)} more of ${matching - shown}`;
    };
    more.addEventListener("click", () => { limit += STEP; refresh(); });
    table.parentElement.after(more);
    [...table.tHead.rows[0].cells].forEach((head, column) => {
      if (!head.textContent.trim()) { return; }
      const button = document.createElement("button");
      button.type = "button";
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => {
        const down = head.getAttribute("aria-sort") === "ascending";
        [...table.tHead.rows[0].cells].forEach((h) => h.removeAttribute("aria-sort"));
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        const sign = down ? -1 : 1;
        rows = rows.map((row, place) => [keyOf(row.cells[column]), place, row]).sort((a, b) => {
          if (a[0] === b[0]) { return a[1] - b[1]; }
          if (a[0] === null) { return 1; }
          if (b[0] === null) { return -1; }
          return (a[0] < b[0] ? -1 : 1) * sign;
        }).map((entry) => entry[2]);
        body.append(...rows);
        refresh();
      });
    });
    if (rows.length > 8) {
      const label = document.createElement("label");
      label.className = "filter";
      label.textContent = "Show only rows with ";
      const input = document.createElement("input");
      input.type = "search";
      label.append(input);
      input.addEventListener("input", () => { words = input.value.trim().toLowerCase(); limit = first; refresh(); });
      table.parentElement.before(label);
    }
    refresh();
    window.addEventListener("beforeprint", () => { limit = Infinity; refresh(); });
  });

  /* ---- names of others ---- */
  document.querySelectorAll("[data-switch='others']").forEach((box) => {
    const apply = () => document.body.classList.toggle("hide-others", box.checked);
    box.addEventListener("change", apply);
    apply();
  });
  document.querySelectorAll("[data-switch='person']").forEach((choice) => {
    const apply = () => {
      document.body.classList.toggle("hide-others", choice.value !== "");
      document.querySelectorAll("[data-person]").forEach((e) => {
        e.classList.toggle("chosen", choice.value !== "" && e.dataset.person === choice.value);
      });
      document.querySelectorAll("figure.chart.drawn").forEach((figure) => {
        const spec = specOf(figure);
        if (Object.values(spec.datasets || {}).some((rows) => rows.some((row) => row.alias))) {
          draw(figure, choice.value === "" ? spec : unnamed(spec, choice.value));
        }
      });
    };
    choice.addEventListener("change", apply);
    choice.value = "";
  });
  document.querySelectorAll("[data-print]").forEach((b) => b.addEventListener("click", () => window.print()));
})();
