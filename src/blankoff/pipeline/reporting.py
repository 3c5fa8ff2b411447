"""The third stage: the month's pages and single sheets, from what the store holds."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from blankoff import schemas
from blankoff.errors import BlankoffError, NotInStoreError
from blankoff.fleet.work import build_work
from blankoff.pipeline.accounts import COVERAGE_SCHEMA
from blankoff.pipeline.exporting import writable_folder
from blankoff.pipeline.known import month_end
from blankoff.pipeline.known_work import known_work
from blankoff.pipeline.progress import Progress, silent
from blankoff.pipeline.pseudonyms import Pseudonyms, pseudonyms_for
from blankoff.pipeline.swapping import make_ready, swap_in
from blankoff.pipeline.unchanged import Earlier, base_of, is_unchanged, made_of, note_made_of
from blankoff.report import sheet
from blankoff.report.book import Book, open_book
from blankoff.report.data import EvacuationData, MonthData
from blankoff.samples import SampleBatch
from blankoff.store import Store


class _LogsAhead:
    """Readings from the store, those that are wanted next fetched together and forgotten for the next ones."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._ahead: dict[str, SampleBatch] = {}
        self._asked: frozenset[str] = frozenset()

    def read_ahead(self, evacuation_ids: Sequence[str]) -> None:
        """Fetch the readings of some evacuations, as far as they have any."""
        self._asked = frozenset(evacuation_ids)
        wanted = pl.DataFrame({"evacuation_id": list(evacuation_ids)}, schema={"evacuation_id": pl.String})
        logs = self._store.read("logs_of_evacuations", wanted)
        batch = self._store.samples_of_logs(logs.select("log_no", "sha256"))
        self._ahead = dict(zip(logs["evacuation_id"].to_list(), batch, strict=True))

    def load(self, evacuation_id: str) -> SampleBatch:
        """Return one evacuation's readings, see `Store.samples`."""
        found = self._ahead.get(evacuation_id)
        if found is None and evacuation_id in self._asked:
            raise NotInStoreError(f"evacuation {evacuation_id!r} has no readable log")
        return self._store.samples(evacuation_id) if found is None else found


def month_data(store: Store, month: str) -> MonthData:
    """Gather what the pages of a month need, as it was known at the month's end.

    Raises
    ------
    NotInStoreError
        The month has no evacuations, or its end was not assessed yet.
    """
    as_of = month_end(month)
    if month not in store.months():
        known = ", ".join(store.months()[-6:]) or "none"
        raise NotInStoreError(f"the store holds no evacuations of {month}; the last months it holds: {known}")
    settings = store.settings()
    work, registers, _ = known_work(store, settings, as_of)
    groups = store.raw("outcome_group")
    groups = groups.filter(pl.col("as_of") == as_of).select("evacuation_id", "group_id", "group_name")
    work = work.join(groups, on="evacuation_id", how="left", maintain_order="left")

    def believed(name: str) -> pl.DataFrame:
        frame = store.raw(name)
        return frame.filter(pl.col("as_of") == as_of).drop("as_of") if frame.width else frame

    logs, log_keys = _LogsAhead(store), store.read("copy_jobs").select("evacuation_id", "log_key")
    not_made, swaps = believed("not_made"), believed("swap_plan")
    phase = store.table("phase").join(work.select("evacuation_id"), on="evacuation_id", how="semi")
    return MonthData(
        month=month,
        as_of=as_of,
        settings=settings,
        work=work,
        phase=phase,
        finding=store.table("finding").filter(pl.col("as_of") <= as_of),
        effect=store.table("effect").filter(pl.col("as_of") <= as_of),
        oil_forecast=store.table("oil_forecast").filter(pl.col("as_of") <= as_of),
        practice=store.table("practice").filter(pl.col("month") <= month),
        quarantine=store.table("quarantine"),
        registers=registers,
        monthly=believed("monthly"),
        hours_lost=believed("hours_lost"),
        proof_lost=believed("proof_lost"),
        talks=believed("talk_effect"),
        coverage=_coverage(store),
        backtest=believed("oil_backtest"),
        group_summary=believed("group_summary"),
        log_keys=log_keys.join(work.select("evacuation_id"), on="evacuation_id", how="semi"),
        load_log=logs.load,
        read_ahead=logs.read_ahead,
        not_made=tuple(not_made.select("what", "why").iter_rows()) if not_made.width else (),
        swap_plan=tuple(swaps["sentence"].to_list()) if "sentence" in swaps.columns else (),
    )


def _coverage(store: Store) -> pl.DataFrame:
    frame = store.raw("coverage")
    return frame if frame.width else pl.DataFrame(schema=COVERAGE_SCHEMA)


def write_month(
    store: Store,
    month: str,
    out: str | os.PathLike[str],
    *,
    every_log: bool = False,
    progress: Progress = silent,
    pseudonym_key: bytes | None = None,
) -> Path:
    """Write the pages of a month; a month whose end was not assessed yet is assessed first.

    The pages are written aside and swapped in when they are whole, so that an interrupted run never leaves half a
    month. Pages that would come out as they lie there are taken as they are; where all would, none is touched.

    Parameters
    ----------
    store
        An open store; open for writing if the month must still be assessed.
    month
        ``YYYY-MM``.
    out
        Folder for the pages; it is made if it does not exist.
    every_log
        Whether every evacuation gets a page, not only those that matter.
    pseudonym_key
        People are named by pseudonyms made with this key, see `blankoff.pipeline.pseudonyms`; by name if not given.

    Returns
    -------
    Path
        The entry page.

    Raises
    ------
    NotInStoreError
        The store holds no evacuations of that month.
    BlankoffError
        The folder cannot be written to, or holds something that is not pages of ours.
    """
    from blankoff.report import pages  # what draws them takes longer to load than a sheet to make

    as_of = month_end(month)
    if month in store.months() and store.read("last_run", stage="assess", as_of=as_of).is_empty():
        from blankoff.pipeline.assessing import assess  # with all the fleet's models

        assess(store, as_of, progress)
    data = month_data(store, month)
    folder = Path(out)
    # whom a pseudonym stands for is no matter for a note that anybody may read
    state = made_of(data, every_log=every_log) if pseudonym_key is None else ""
    if state and is_unchanged(folder, state):
        return folder / "index.html"
    writable_folder(folder.parent if folder.parent != folder else folder)
    if folder.exists() and (not folder.is_dir() or (any(folder.iterdir()) and not _is_ours(folder))):
        raise BlankoffError(f"{folder} holds something that is not pages of ours; name another folder for --out")
    aside = make_ready(folder)
    progress("writing the month's pages", 0, 1)
    people = _pseudonyms(store, pseudonym_key)
    try:
        if people:
            pages.write_month(people.in_month(data), aside, all_evacuations=every_log)
            people.guard(aside)
        else:
            earlier = Earlier(folder)
            base = base_of(data)
            pages.write_month(data, aside, all_evacuations=every_log, base=base, earlier=earlier)
            note_made_of(aside, state, earlier.taken)
        swap_in(folder)
    except (OSError, BlankoffError):  # a full disk: what was there before stays, and no half lies about
        make_ready(folder)
        raise
    progress("writing the month's pages", 1, 1)
    return folder / "index.html"


def _pseudonyms(store: Store, key: bytes | None) -> Pseudonyms | None:
    return None if key is None else pseudonyms_for(key, store.registers())


def _is_ours(folder: Path) -> bool:
    return (folder / "static" / "files.txt").is_file() and (folder / "index.html").is_file()


def month_book(store: Store, month: str, pseudonym_key: bytes | None = None) -> Book:
    """Open the month's book, as its pages do: for what a summary takes from it."""
    data, people = month_data(store, month), _pseudonyms(store, pseudonym_key)
    return open_book(people.in_month(data) if people else data)


def write_sheet(
    store: Store,
    evacuation_id: str,
    out: str | os.PathLike[str],
    *,
    made_on: dt.date | None = None,
    pseudonym_key: bytes | None = None,
) -> Path:
    """Write one evacuation's evidence sheet, a one-page PDF.

    Parameters
    ----------
    store
        An open store.
    evacuation_id
        Which evacuation.
    out
        The PDF file.
    made_on
        The day printed on it; today if not given. No other mark on the sheet depends on the clock.
    pseudonym_key
        As for `write_month`.

    Raises
    ------
    NotInStoreError
        No such evacuation.
    """
    target = Path(out)
    writable_folder(target.parent)
    shown = _for_sheet(store, evacuation_id, pseudonym_key)
    return sheet.write_sheet(shown, target, made_on or dt.datetime.now(dt.UTC).date())


def _for_sheet(store: Store, evacuation_id: str, pseudonym_key: bytes | None) -> EvacuationData:
    data, people = _one(store, evacuation_id), _pseudonyms(store, pseudonym_key)
    if people:
        data = people.in_month(data)
    return open_book(data).evacuation(data.work["evacuation_id"][0])


@dataclass(frozen=True)
class CheckedSheet:
    """A sheet that was made from the log that the store holds, or without one where it holds none.

    Parameters
    ----------
    sheet
        The PDF file.
    evacuation_id, content_hash
        What its marks say: which evacuation, and the hash of the readings it was made from, empty without a log.
    made_on
        The day it bears.
    unchanged
        Whether every word on it is what the store says today.
    """

    sheet: Path
    evacuation_id: str
    content_hash: str
    made_on: dt.date | None
    unchanged: bool

    def as_dict(self) -> dict[str, object]:
        """Return plain values, for JSON."""
        return {
            "sheet": str(self.sheet),
            "evacuation_id": self.evacuation_id,
            "content_hash": self.content_hash,
            "made_on": None if self.made_on is None else self.made_on.isoformat(),
            "every_word_is_the_stores": self.unchanged,
        }

    def text(self) -> str:
        """Return it in words."""
        told = (
            f"{self.sheet} was made from the log of evacuation {self.evacuation_id} that the store holds "
            f"({self.content_hash})"
            if self.content_hash
            else f"{self.sheet} was made without a log, and the store holds none for evacuation {self.evacuation_id}"
        )
        if self.unchanged:
            return f"{told}. Every word on it is what the store says today."
        return (
            f"{told}. Not every word on it is what the store says today: the judging, the registers or blankoff changed "
            "since it was made, or the file was altered. Make a new sheet and compare the two."
        )


def check_sheet(store: Store, file: str | os.PathLike[str], *, pseudonym_key: bytes | None = None) -> CheckedSheet:
    """Check that a sheet was made from the log that the store holds, and whether its words are still the store's.

    The sheet is made again for the day it bears: the same bytes mean that nothing on it was changed since.

    Raises
    ------
    BlankoffError
        It is no sheet of ours, or its log is not the one in the store.
    """
    path = Path(file)
    pdf = path.read_bytes()
    mark = sheet.read_mark(pdf)
    if mark is None:
        raise BlankoffError(f"{file} is no evidence sheet of ours, or its marks were taken out")
    try:
        held = store.samples(mark.evacuation_id).keys[0]
    except NotInStoreError as error:
        if mark.content_hash:
            raise BlankoffError(f"{file} cannot be checked: {error}") from None
        held = ""
    if held != mark.content_hash:
        raise BlankoffError(
            f"{file} was made from another log: it names {mark.content_hash or 'none'}, the store holds {held or 'none'} for "
            f"evacuation {mark.evacuation_id}"
        )
    unchanged = mark.made_on is not None and sheet.same_sheet(
        pdf, _for_sheet(store, mark.evacuation_id, pseudonym_key), mark.made_on
    )
    return CheckedSheet(path, mark.evacuation_id, held, mark.made_on, unchanged)


def verify_sheet(store: Store, file: str | os.PathLike[str], *, pseudonym_key: bytes | None = None) -> str:
    """Say in words what `check_sheet` finds.

    Raises
    ------
    BlankoffError
        It is no sheet of ours, or its log is not the one in the store.
    """
    return check_sheet(store, file, pseudonym_key=pseudonym_key).text()


def _one(store: Store, evacuation_id: str) -> MonthData:
    """Gather what one evacuation's sheet needs, without the rest of the fleet."""
    settings = store.settings()
    result = store.read("result_of_evacuation", evacuation_id=evacuation_id)
    if result.is_empty():
        raise NotInStoreError(
            f"evacuation {evacuation_id!r} is not in the store; see the table `result` for those that are"
        )
    registers: Mapping[str, pl.DataFrame] = store.registers()
    mine = {**registers, "evacuations": registers["evacuations"].filter(pl.col("evacuation_id") == evacuation_id)}
    work = build_work(schemas.RESULT.conform(result), mine, settings)
    month = str(result["month"][0])
    finding = store.table("finding").filter(
        (pl.col("subject_id") == evacuation_id) | pl.col("evidence").list.contains(evacuation_id)
    )
    as_of = max([month_end(month), *finding["as_of"].to_list()])
    phase = store.read("phase_of_evacuation", evacuation_id=evacuation_id)
    return MonthData(
        month=month,
        as_of=as_of,
        settings=settings,
        work=work,
        phase=schemas.PHASE.conform(phase) if phase.width else schemas.PHASE.empty(),
        finding=finding,
        registers=mine,
        load_log=store.samples,
    )
