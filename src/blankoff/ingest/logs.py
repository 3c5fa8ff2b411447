"""Log files to samples: one file at a time, or many in batches of bounded memory."""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from blankoff import schemas
from blankoff.errors import LogUnreadableError
from blankoff.ingest.dialect import layout_dialect, layout_for, plain_delimiter, standard_dialect
from blankoff.ingest.fast import Body, Plan, Seen, plan_body, read_bodies
from blankoff.ingest.finish import CleanLog, FloatArray, finish
from blankoff.ingest.limits import LIMITS
from blankoff.ingest.parquet_logs import read_parquet_log
from blankoff.ingest.parquet_together import read_together
from blankoff.ingest.rejects import Rejects, frame_of, printable_path
from blankoff.ingest.text import lines_of
from blankoff.ingest.tolerant import RawLog, read_lines
from blankoff.ingest.unpack import Content, read_stored, sha256_hex, unpack
from blankoff.samples import Mark, SampleBatch
from blankoff.settings import LogLayout, Settings

_CHUNK_FILES = 256
"""Files read and parsed by one thread at a time."""
INFO_SCHEMA: dict[str, schemas.PolarsType] = {
    "log_file": pl.String,
    "path": pl.String,
    "sha256": pl.String,
    "bytes": pl.Int64,
    "readable": pl.Boolean,
    "rows": pl.Int64,
    "bad_rows": pl.Int64,
    "first_timestamp": schemas.TIME,
    "unit": pl.String,
    "layout": pl.String,
    "repeats": pl.Int64,
    "clock_set_s": pl.Float64,
    "problem": pl.String,
}


@dataclass(frozen=True)
class LogReadout:
    """What became of a list of log files.

    Parameters
    ----------
    batch
        Samples of the readable logs in the order handed in, keyed by SHA-256; of files with the same bytes, once.
    info
        One row per file handed in, readable or not: see ``INFO_SCHEMA``. ``rows`` are readings kept, ``bad_rows`` lines
        refused; ``log_file`` is the path under ``logs/``, ``path`` relative to the fleet folder.
    quarantine
        Rows of the ``quarantine`` table; ``seen_at`` is left to the caller.
    """

    batch: SampleBatch
    info: pl.DataFrame
    quarantine: pl.DataFrame


@dataclass
class _Read:
    """One file's outcome."""

    log_file: str
    path: str
    sha256: str
    size: int
    log: CleanLog | None
    rejects: Rejects
    problem: str = ""


def read_log(path: str | Path, settings: Settings | None = None, layout: LogLayout | None = None) -> SampleBatch:
    """Read a single log file.

    Parameters
    ----------
    path
        The file.
    settings
        For its time zone and layouts; layouts are matched on the file's name and on its path under ``logs/``.
    layout
        Use this layout, whatever the settings say.

    Returns
    -------
    SampleBatch
        A batch of one, keyed by SHA-256 of the file's bytes.

    Raises
    ------
    LogUnreadableError
        The file cannot be used as a whole; lines it had to leave out are no error.
    """
    settings = settings or Settings()
    where = Path(path)
    shown = printable_path(str(where))
    stored = read_stored(where, shown)
    chosen = ("layout", layout) if layout is not None else _layout_of_path(where, settings)
    log = parse_log(stored, shown, settings, chosen, Rejects(shown))
    return SampleBatch.of_one(sha256_hex(stored), log.elapsed_s, log.pressure_micron, log.ambient_c, log.marks)


def _layout_of_path(path: Path, settings: Settings) -> tuple[str, LogLayout] | None:
    parts = path.absolute().as_posix().split("/")
    if "logs" in parts:
        under = len(parts) - 1 - parts[::-1].index("logs")
        found = layout_for("/".join(parts[under + 1 :]), settings)
        if found is not None:
            return found
    return next((f for i in range(len(parts)) if (f := layout_for("/".join(parts[i:]), settings)) is not None), None)


def parse_log(
    stored: bytes, shown: str, settings: Settings, layout: tuple[str, LogLayout] | None, rejects: Rejects
) -> CleanLog:
    """Samples of one log from its stored bytes, line by line; lines left out go to `rejects`.

    Raises
    ------
    LogUnreadableError
        The log cannot be used as a whole.
    """
    return _parse_content(unpack(stored, shown), shown, settings, layout, rejects)


def _parse_content(
    content: Content, shown: str, settings: Settings, layout: tuple[str, LogLayout] | None, rejects: Rejects
) -> CleanLog:
    if content.is_parquet:
        raw = read_parquet_log(content.data, shown, rejects, layout)
    else:
        raw = _read_text(content, shown, layout, rejects)
    if content.cut_short:
        rejects.add(None, "", content.cut_short)
    return finish(raw, settings.timezone, shown, rejects)


def _read_text(content: Content, shown: str, layout: tuple[str, LogLayout] | None, rejects: Rejects) -> RawLog:
    lines, ended = lines_of(content.data, shown, layout[1].encoding if layout else "")
    if content.cut_short:
        ended = False
    if layout is None:
        dialect = standard_dialect(lines, shown)
    else:
        core, replaced = plain_delimiter(layout[1].delimiter)
        if replaced:
            lines = [line.replace(replaced, core) for line in lines]
        dialect = layout_dialect(lines, layout[0], layout[1], shown)
    return read_lines(lines, ended, dialect, shown, rejects)


@dataclass
class _File:
    """One file on its way: where it is, what was found in it, and in the end its outcome."""

    path: str
    shown: str
    log_file: str
    sha256: str = ""
    size: int = 0
    content: Content | None = None
    outcome: _Read | None = None


def _read_chunk(places: Sequence[tuple[str, str, str]], settings: Settings) -> list[_Read]:
    """Read some files, and parse them together whenever enough text is held."""
    files = [_File(*place) for place in places]
    waiting: list[_File] = []
    held = 0
    for file in files:
        try:
            stored = _stored_at(file.path, file.shown)
            file.size, file.sha256 = len(stored), sha256_hex(stored)
            file.content = unpack(stored, file.shown)
        except LogUnreadableError as error:
            file.outcome = _refused(file, error)
            continue
        waiting.append(file)
        held += len(file.content.data)
        if held > LIMITS.held_bytes:
            _parse_waiting(waiting, settings)
            waiting, held = [], 0
    _parse_waiting(waiting, settings)
    return [file.outcome for file in files if file.outcome is not None]


def _stored_at(place: str, shown: str) -> bytes:
    """Bytes of a file of this machine, or at an address."""
    if "://" in place:
        from blankoff.ingest.places import read_address

        return read_address(place, shown)
    return read_stored(place, shown)


def _parse_waiting(files: Sequence[_File], settings: Settings) -> None:
    """Give each file its outcome: those that can be parsed fast together, the others one by one."""
    groups: dict[Plan, list[tuple[_File, Body]]] = {}
    seen = Seen()
    for file in files:
        content = file.content
        if content is None or content.is_parquet or content.cut_short:
            continue
        body = plan_body(content.data, layout_for(file.log_file, settings), seen)
        if body is not None:
            groups.setdefault(body.plan, []).append((file, body))
    packed = [f for f in files if f.content is not None and f.content.is_parquet]
    packed = [f for f in packed if layout_for(f.log_file, settings) is None]
    for file, raw in zip(packed, read_together([f.content.data for f in packed if f.content is not None]), strict=True):
        if raw is not None:
            file.outcome = _finished(raw, file, settings)
    for members in groups.values():
        for (file, _), raw in zip(members, read_bodies([body for _, body in members]), strict=True):
            if raw is not None:
                file.outcome = _finished(raw, file, settings)
    for file in files:
        if file.outcome is None and file.content is not None:
            file.outcome = _read_carefully(file, file.content, settings)
        file.content = None


def _finished(raw: RawLog, file: _File, settings: Settings) -> _Read | None:
    """Outcome of readings parsed fast; None if something must be said of a line, which needs its number."""
    rejects = Rejects(file.shown)
    try:
        log = finish(raw, settings.timezone, file.shown, rejects)
    except LogUnreadableError:
        return None
    return None if rejects.rows else _Read(file.log_file, file.shown, file.sha256, file.size, log, rejects)


def _refused(file: _File, error: LogUnreadableError) -> _Read:
    rejects = Rejects(file.shown)
    rejects.add(None, error.field, error.problem)
    return _Read(file.log_file, file.shown, file.sha256, file.size, None, rejects, error.problem)


def _read_carefully(file: _File, content: Content, settings: Settings) -> _Read:
    """Outcome of one file by the line-by-line path."""
    rejects = Rejects(file.shown)
    try:
        log = _parse_content(content, file.shown, settings, layout_for(file.log_file, settings), rejects)
    except LogUnreadableError as error:
        return _refused(file, error)
    return _Read(file.log_file, file.shown, file.sha256, file.size, log, rejects)


def read_logs(
    paths: Sequence[str | Path], root: str | Path, settings: Settings | None = None, threads: int = 2
) -> LogReadout:
    """Read many log files into one batch.

    Parameters
    ----------
    paths
        Files: under ``root``, or relative to it (``logs/2026/a.csv``). All are held in memory at once: hand in what
        `plan_batches` makes.
    root
        The fleet folder.
    settings
        For time zone and layouts.
    threads
        How many files are read at once; no result depends on it.

    Returns
    -------
    LogReadout
        Samples, one information row per file, quarantine rows. Never raises for what is in a file.
    """
    settings = settings or Settings()
    root = os.fspath(root)
    places = [_place(p, root) for p in paths]
    chunks = [places[i : i + _CHUNK_FILES] for i in range(0, len(places), _CHUNK_FILES)]
    if threads <= 1 or len(chunks) < 2:
        reads = [r for chunk in chunks for r in _read_chunk(chunk, settings)]
    else:
        with ThreadPoolExecutor(max_workers=threads) as pool:
            reads = [r for chunk in pool.map(lambda c: _read_chunk(c, settings), chunks) for r in chunk]
    return _readout(reads)


def _place(path: str | Path, root: str) -> tuple[str, str, str]:
    """Where a file is, its path relative to the fleet folder, and its path under ``logs/``."""
    text = os.fspath(path)
    if "://" in root:
        shown = printable_path(text)
        return f"{root.rstrip('/')}/{text}", shown, shown.removeprefix("logs/")
    full = text if os.path.isabs(text) else os.path.join(root, text)  # noqa: PTH117, PTH118 - a Path costs as much as reading
    relative = full[len(root) :].lstrip("/") if full.startswith(root.rstrip("/") + "/") else full
    shown = printable_path(relative.replace(os.sep, "/"))
    return full, shown, shown.removeprefix("logs/")


def _readout(reads: Sequence[_Read]) -> LogReadout:
    unique: dict[str, CleanLog] = {}
    for r in reads:
        if r.log is not None:
            unique.setdefault(r.sha256, r.log)
    columns = {
        "log_file": [r.log_file for r in reads],
        "path": [r.path for r in reads],
        "sha256": [r.sha256 or None for r in reads],
        "bytes": [r.size for r in reads],
        "readable": [r.log is not None for r in reads],
        "rows": [0 if r.log is None else r.log.elapsed_s.size for r in reads],
        "bad_rows": [0 if r.log is None else r.rejects.total for r in reads],
        "first_timestamp": [None if r.log is None else r.log.first_timestamp for r in reads],
        "unit": [None if r.log is None else r.log.unit for r in reads],
        "layout": [None if r.log is None else r.log.layout for r in reads],
        "repeats": [0 if r.log is None else r.log.repeats for r in reads],
        "clock_set_s": [0.0 if r.log is None else r.log.clock_set_s for r in reads],
        "problem": [r.problem or None for r in reads],
    }
    return LogReadout(
        _batch_of(unique), pl.DataFrame(columns, schema=INFO_SCHEMA), frame_of([r.rejects for r in reads])
    )


def _batch_of(logs: dict[str, CleanLog]) -> SampleBatch:
    """Join the samples of logs, contiguous in their order."""
    if not logs:
        return SampleBatch.concat([])
    parts = list(logs.values())
    return SampleBatch(
        tuple(logs),
        np.concatenate([[0], np.cumsum([p.elapsed_s.size for p in parts])]).astype(np.int64),
        _joined([p.elapsed_s for p in parts]),
        _joined([p.pressure_micron for p in parts]),
        _joined([p.ambient_c for p in parts]),
        tuple(Mark(i, at, text) for i, p in enumerate(parts) for at, text in p.marks),
    )


def _joined(parts: Sequence[FloatArray]) -> FloatArray:
    """Join arrays; without copying where they are pieces of one array that follow one another in it, as when parsed together."""
    whole = parts[0].base
    if isinstance(whole, np.ndarray) and whole.ndim == 1 and all(p.base is whole for p in parts):
        at = [p.__array_interface__["data"][0] for p in parts]
        if all(a + p.nbytes == b for a, p, b in zip(at, parts, at[1:], strict=False)):
            first = (at[0] - whole.__array_interface__["data"][0]) // whole.itemsize
            return whole[first : first + sum(p.size for p in parts)]
    return np.concatenate(parts)


def plan_batches(files: pl.DataFrame, bytes_per_batch: int = 64 * 2**20) -> list[list[str]]:
    """Cut a list of files into batches of bounded size.

    Parameters
    ----------
    files
        Columns ``path`` and ``bytes`` (as from ``folder.scan_fleet``).
    bytes_per_batch
        Stored bytes a batch may hold; compressed files count five times, and a batch has at least one file.

    Returns
    -------
    list of list of str
        Paths, in the frame's order.
    """
    batches: list[list[str]] = []
    room = 0
    for path, size in zip(files["path"].to_list(), files["bytes"].to_list(), strict=True):
        weight = int(size) * (5 if str(path).lower().endswith((".gz", ".zst", ".parquet")) else 1)
        if not batches or weight > room or len(batches[-1]) >= 10_000:
            batches.append([])
            room = bytes_per_batch
        batches[-1].append(str(path))
        room -= weight
    return batches
