/* Draws the charts from the specs beside them, sorts and filters tables, hides names. No network, no storage. */
(() => {
  "use strict";
  const root = document.body.dataset.root || "";
  document.documentElement.classList.add("scripted");

  /* ---- tooltip: plain text in one box, and the same read aloud where the keyboard moves it ---- */
  const boxOf = (className, attribute, value) => {
    const box = document.createElement("div");
    box.className = className;
    box.setAttribute(attribute, value);
    document.body.append(box);
    return box;
  };
  const tip = boxOf("tip", "aria-hidden", "true");
  const aloud = boxOf("unseen", "role", "status");
  const tipWords = (value) => (typeof value === "object"
    ? Object.entries(value).map(([k, v]) => (k.trim() ? `${k}: ${v}` : `${v}`)).join("\n")
    : String(value));
  const hideTip = () => tip.classList.remove("on");
  const tipAt = (words, left, top) => {
    tip.textContent = words;
    tip.classList.add("on");
    const x = Math.min(left + 14, window.innerWidth - tip.offsetWidth - 8);
    const y = top + 14 + tip.offsetHeight > window.innerHeight ? top - tip.offsetHeight - 10 : top + 14;
    tip.style.left = `${Math.max(x, 4)}px`;
    tip.style.top = `${y}px`;
  };
  const showTip = (handler, event, item, value) => {
    if (value === null || value === undefined || value === "") { hideTip(); return; }
    tipAt(tipWords(value), event.clientX, event.clientY);
  };

  /* ---- charts: what is in sight first, the rest while nothing else is to do ---- */
  const chosenPerson = () => document.querySelector("[data-switch='person']")?.value || "";
  const rowsOf = (spec) => Object.values(spec.datasets || {}).flat();
  const labelsOf = (spec) => (spec.params || []).find((p) => p.name === "labels");
  const unnamed = (spec, chosen) => {
    rowsOf(spec).forEach((row) => {
      if (row.alias && row.person !== chosen) { row.was = row.label; row.label = row.alias; row.tip = row.alias; delete row.href; }
    });
    const shown = new Map(rowsOf(spec).filter((r) => r.alias).map((r) => [r.was || r.label, r.label]));
    const labels = labelsOf(spec);
    if (labels) { labels.value = labels.value.map((l) => shown.get(l) || l); }
    return spec;
  };
  const onePage = (spec, first, rows) => {
    const labels = labelsOf(spec);
    if (!rows || !labels || labels.value.length <= rows) { return spec; }
    spec.height = Math.round(spec.height / labels.value.length * Math.min(rows, labels.value.length - first));
    labels.value = labels.value.slice(first, first + rows);
    const here = new Set(labels.value);
    Object.keys(spec.datasets).forEach((name) => {
      spec.datasets[name] = spec.datasets[name].filter((row) => row.label === undefined || here.has(row.label) || name === "reference");
    });
    return spec;
  };
  const pageStart = new WeakMap();
  const specOf = (figure) => {
    const spec = JSON.parse(figure.querySelector("script[type='application/json']").textContent);
    const chosen = chosenPerson();
    return onePage(chosen ? unnamed(spec, chosen) : spec, pageStart.get(figure) || 0, Number(figure.dataset.rows) || 0);
  };

  /* every mark that a pointer can find, in reading order, for the arrow keys */
  const marksOf = (view, byRow) => {
    const found = [];
    const walk = (mark, x, y) => (mark.items || []).forEach((item) => {
      if (mark.marktype === "group") {
        (item.items || []).forEach((inner) => walk(inner, x + (item.x || 0), y + (item.y || 0)));
      } else if (item.tooltip && item.bounds) {
        const b = item.bounds;
        found.push({ x: x + (b.x1 + b.x2) / 2, y: y + (b.y1 + b.y2) / 2, words: tipWords(item.tooltip), href: item.datum?.href || "" });
      }
    });
    const [left, top] = view.origin();
    walk(view.scenegraph().root, left, top);
    const near = (a, b) => Math.abs(a - b) < 2;
    found.sort((a, b) => (byRow ? (near(a.y, b.y) ? a.x - b.x : a.y - b.y) : (near(a.x, b.x) ? a.y - b.y : a.x - b.x)));
    const seen = new Map();
    found.filter((m) => m.words.trim()).forEach((m) => {
      const same = seen.get(m.words);
      if (!same) { seen.set(m.words, m); } else if (!same.href) { Object.assign(same, m); }
    });
    return [...seen.values()];
  };
  const walkable = new WeakMap();
  const goTo = (place, at) => {
    const state = walkable.get(place);
    state.at = at;
    const mark = state.marks[at];
    const frame = place.querySelector("svg").getBoundingClientRect();
    const own = place.getBoundingClientRect();
    const scale = frame.width / state.width || 1;
    const ring = place.querySelector(".here") || place.appendChild(Object.assign(document.createElement("div"), { className: "here" }));
    ring.style.left = `${frame.left - own.left + mark.x * scale}px`;
    ring.style.top = `${frame.top - own.top + mark.y * scale}px`;
    tipAt(mark.words, frame.left + mark.x * scale, frame.top + mark.y * scale);
    aloud.textContent = `${mark.words.replaceAll("\n", "; ")}${mark.href ? " (Enter opens its page)" : ""}`;
  };
  const leave = (place) => { place.querySelector(".here")?.remove(); hideTip(); };
  const onKey = (event) => {
    const place = event.currentTarget;
    const state = walkable.get(place);
    const last = state.marks.length - 1;
    const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1, PageDown: 10, PageUp: -10 }[event.key];
    if (step) { goTo(place, Math.min(Math.max(state.at + step, 0), last)); }
    else if (event.key === "Home") { goTo(place, 0); }
    else if (event.key === "End") { goTo(place, last); }
    else if (event.key === "Escape") { leave(place); return; }
    else if (event.key === "Enter" && state.at >= 0 && state.marks[state.at].href) { window.location.href = root + state.marks[state.at].href; }
    else { return; }
    event.preventDefault();
  };
  const letKeysIn = (place, view, spec) => {
    const marks = marksOf(view, Boolean(labelsOf(spec)));
    const known = walkable.has(place);
    walkable.set(place, { marks, at: -1, width: Number(place.querySelector("svg").getAttribute("width")) });
    leave(place);
    if (known || !marks.length) { return; }
    place.tabIndex = 0;
    place.setAttribute("role", "application");
    place.setAttribute("aria-roledescription", "chart");
    place.setAttribute("aria-label", `${place.getAttribute("aria-label")} Arrow keys go from mark to mark.`);
    place.addEventListener("keydown", onKey);
    place.addEventListener("blur", () => leave(place));
  };

  const begun = new Map();
  const draw = (figure) => {
    const done = drawNow(figure);
    begun.set(figure, done);
    return done;
  };
  const once = (figure) => begun.get(figure) || draw(figure);
  const drawNow = async (figure) => {
    const place = figure.querySelector(".plot");
    const spec = specOf(figure);
    try {
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
      place.querySelector("svg")?.setAttribute("aria-hidden", "true");
      letKeysIn(place, result.view, spec);
      place.style.minHeight = "";
      figure.classList.add("drawn");
    } catch (error) {
      figure.querySelector("details")?.setAttribute("open", "");
      console.error(error);
    }
  };
  const turnPages = (figure, after, redraw) => {
    const rows = Number(figure.dataset.rows) || 0;
    const all = Number(figure.dataset.of) || 0;
    if (!rows || all <= rows) { return; }
    const bar = document.createElement("p");
    bar.className = "turn";
    const told = document.createElement("span");
    const make = (words, by) => {
      const button = Object.assign(document.createElement("button"), { type: "button", className: "more", textContent: words });
      button.addEventListener("click", () => { turn((pageStart.get(figure) || 0) + by); redraw(); });
      return button;
    };
    const back = make(`Previous ${rows}`, -rows);
    const on = make(`Next ${rows}`, rows);
    const turn = (first) => {
      pageStart.set(figure, first);
      told.textContent = ` ${first + 1} to ${Math.min(first + rows, all)} of ${all} `;
      back.disabled = first <= 0;
      on.disabled = first + rows >= all;
    };
    bar.append(back, told, on);
    after.after(bar);
    turn(0);
  };
  /* ---- little drawings, a page of them at a time: one drawing, everybody's numbers in thousandths ---- */
  const smallFigure = (all, item) => {
    const figure = document.createElement("figure");
    figure.className = "chart person other";
    figure.dataset.person = item.person;
    figure.dataset.high = 130;
    figure.classList.toggle("chosen", chosenPerson() === item.person);
    const title = document.createElement("figcaption");
    const real = Object.assign(document.createElement("span"), { className: "real" });
    const name = Object.assign(document.createElement(item.href ? "a" : "span"), { textContent: item.title, dir: "auto" });
    if (item.href) { name.href = root + item.href; }
    real.append(name);
    title.append(real, Object.assign(document.createElement("span"), { className: "alias", textContent: item.alias }));
    title.append(Object.assign(document.createElement("small"), { textContent: item.what }));
    const plot = Object.assign(document.createElement("div"), { className: "plot" });
    plot.setAttribute("role", "img");
    plot.setAttribute("aria-label", `${item.what}, by month.`);
    plot.style.minHeight = "130px";
    const share = (n) => (n === null ? null : n / 1000);
    const levels = all.months.map(([on, month], i) => ({
      on, month, v: share(item.v[i]), low: share(item.low[i]), high: share(item.high[i]), peers: share(item.peers[i]),
    })).filter((row) => row.v !== null);
    const spec = Object.assign(document.createElement("script"), { type: "application/json" });
    spec.textContent = JSON.stringify({ ...all.spec, datasets: { levels } });
    figure.append(title, plot, spec);
    return figure;
  };
  const layOut = (block) => {
    const all = JSON.parse(block.querySelector(":scope > script").textContent);
    const many = block.querySelector(".many");
    const first = pageStart.get(block) || 0;
    many.replaceChildren(...all.items.slice(first, first + Number(block.dataset.rows)).map((item) => smallFigure(all, item)));
    return [...many.children];
  };
  const drawAll = async () => {
    document.querySelectorAll("figure.multiples").forEach((block) => {
      turnPages(block, block.querySelector(".many"), async () => { for (const figure of layOut(block)) { await once(figure); } });
      layOut(block);
    });
    const figures = [...document.querySelectorAll("figure.chart")];
    figures.forEach((figure) => {
      figure.querySelector(".plot").style.minHeight = `${Number(figure.dataset.high) || 96}px`;
      turnPages(figure, figure.querySelector(".plot"), () => draw(figure));
    });
    const inSight = figures.filter((f) => { const box = f.getBoundingClientRect(); return box.top < window.innerHeight && box.bottom > 0; });
    for (const figure of inSight) { await draw(figure); }
    document.body.dataset.ready = "yes";
    const idle = () => new Promise((done) => { (window.requestIdleCallback || ((f) => setTimeout(f, 1)))(done, { timeout: 400 }); });
    for (const figure of figures) {
      if (!begun.has(figure)) {
        await idle();
        await once(figure);  // printing may have wanted it meanwhile
      }
    }
    await everyChart();
    document.body.dataset.drawn = "all";
  };
  /* paper wants every chart at once: drawing waits for nothing but its own steps, all taken before beforeprint is over */
  const everyChart = () => Promise.all([...document.querySelectorAll("figure.chart")].map(once));
  window.addEventListener("beforeprint", () => { if (window.vegaEmbed) { everyChart(); } });
  document.querySelectorAll("[data-switch='person']").forEach((choice) => { choice.value = ""; });
  if (window.vegaEmbed) { drawAll(); } else {
    document.querySelectorAll("figure.chart details").forEach((d) => d.setAttribute("open", ""));
    document.body.dataset.ready = "yes";
    document.body.dataset.drawn = "all";
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
      const rest = matching - shown;
      more.textContent = rest > STEP ? `Show ${STEP} of the other ${rest}` : `Show the other ${rest}`;
    };
    more.addEventListener("click", () => { limit += STEP; refresh(); });
    table.parentElement.after(more);
    [...table.tHead.rows[0].cells].forEach((head, column) => {
      if (!head.textContent.trim()) { return; }
      const button = document.createElement("button");
      button.type = "button";
      const onPaper = Object.assign(document.createElement("span"), { className: "paper", textContent: head.textContent });
      button.append(...head.childNodes);
      head.append(button, onPaper);  // a heading with a button in it is not repeated on the next sheet
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
    let onScreen = limit;
    if (table.dataset.paper !== "folded") {
      window.addEventListener("beforeprint", () => { onScreen = limit; limit = Infinity; refresh(); });
      window.addEventListener("afterprint", () => { limit = onScreen; refresh(); });
    }
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
        if (rowsOf(JSON.parse(figure.querySelector("script[type='application/json']").textContent)).some((row) => row.alias)) { draw(figure); }
      });
    };
    choice.addEventListener("change", apply);
  });
  document.querySelectorAll("[data-print]").forEach((b) => b.addEventListener("click", async () => {
    if (window.vegaEmbed) { await everyChart(); }
    window.print();
  }));
})();
