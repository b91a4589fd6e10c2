"""A paper history as a table (CSV): its rows as values, or every fault of the file at once.

Columns, in any order, told apart by the names in the first line:

    day       2026-03-02, or 2026-03-02 05:40 in the site's time zone, or RFC 3339 with an offset
    cell      may be left out where the site has one cell
    gun
    setup     may be left out where the site has one setup
    shots     the flows of the shots, g/min, with ; or / or spaces between: 83.9; 84.2; 83.7
    mean      where the paper has only the mean, g/min; n says of how many shots (else the setup's)
    n
    setting   the needle's setting, in the gun's own unit
    pot_bar   pot pressure, bar gauge
    fluid_c   temperature of the fluid
    u_pct     standard uncertainty of the mean, percent, where somebody worked it out
    part      replaced before this check: nozzle, needle, seal or gun; a row may say this alone
"""

from __future__ import annotations

import csv
import difflib
import io
from collections.abc import Mapping, Sequence

from agent.commands.paper_rows import PaperFault, PaperRow, Reader
from agent.contract.plan import Plan

COLUMNS = (
    "day",
    "cell",
    "gun",
    "setup",
    "shots",
    "mean",
    "n",
    "setting",
    "pot_bar",
    "fluid_c",
    "u_pct",
    "part",
)
LARGEST_BYTES = 10 * 1024 * 1024
MOST_ROWS = 20_000


class BadPaper(Exception):  # noqa: N818 - it reads as what it is
    """The file cannot be used; every fault is in `faults`."""

    def __init__(self, faults: Sequence[PaperFault]) -> None:
        super().__init__(f"{len(faults)} faults")
        self.faults = tuple(faults)


def read_paper(data: bytes, plan: Plan, now_s: float, ignored: Sequence[str] = ()) -> list[PaperRow]:
    """The rows of a file, oldest first. Raises BadPaper with every fault of it."""
    if len(data) > LARGEST_BYTES:
        raise BadPaper([PaperFault(1, "", f"the file has more than {LARGEST_BYTES} bytes")])
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        line = data.count(b"\n", 0, fault.start) + 1
        raise BadPaper([PaperFault(line, "", "bytes that are not UTF-8; save the file as UTF-8")]) from None
    table = csv.reader(io.StringIO(text), delimiter=_delimiter(text), strict=True)
    try:
        lines = [(table.line_num, cells) for cells in table if any(cell.strip() for cell in cells)]
    except csv.Error as fault:
        raise BadPaper([PaperFault(table.line_num, "", f"no CSV: {fault}")]) from None
    if not lines:
        raise BadPaper([PaperFault(1, "", "the file is empty; its first line names the columns")])
    if len(lines) > MOST_ROWS + 1:
        raise BadPaper(
            [PaperFault(lines[MOST_ROWS + 1][0], "", f"more than {MOST_ROWS} rows; split the file")]
        )
    (line, names), *rows = lines
    header = _Header(line, [name.strip().lower() for name in names], tuple(ignored), plan)
    return _understood(rows, header, Reader(plan, now_s))


def _delimiter(text: str) -> str:
    first = text.split("\n", 1)[0]
    return max(",;\t", key=first.count)


class _Header:
    """The first line: which column is where. Raises BadPaper where it cannot be."""

    def __init__(self, line: int, names: list[str], ignored: Sequence[str], plan: Plan) -> None:
        faults = [
            PaperFault(line, name, _unknown(name)) for name in names if name not in (*COLUMNS, *ignored)
        ]
        faults += [
            PaperFault(line, name, "this column is there twice")
            for name in dict.fromkeys(names)
            if names.count(name) > 1
        ]
        wanted = ["day", "gun", *(["cell"] if len(plan.cells) > 1 else [])]
        wanted += ["setup"] if len(plan.setups) > 1 else []
        faults += [PaperFault(line, name, "this column is missing") for name in wanted if name not in names]
        if not {"shots", "mean", "part"} & set(names):
            faults.append(PaperFault(line, "shots", "neither shots nor mean nor part is there"))
        if faults:
            raise BadPaper(faults)
        self.names = names

    def named(self, line: int, cells: list[str], faults: list[PaperFault]) -> Mapping[str, str] | None:
        """The cells of a row by their columns, empty ones left out; None after a fault was added."""
        if len(cells) > len(self.names) and any(cell.strip() for cell in cells[len(self.names) :]):
            text = f"{len(cells)} values for {len(self.names)} columns"
            faults.append(PaperFault(line, "", text))
            return None
        return {name: cell.strip() for name, cell in zip(self.names, cells, strict=False) if cell.strip()}


def _unknown(name: str) -> str:
    near = difflib.get_close_matches(name, COLUMNS, 1)
    hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(COLUMNS)}."
    return f"this column is not known; {hint} To pass over it: --ignore {name or 'NAME'}"


def _understood(rows: list[tuple[int, list[str]]], header: _Header, reader: Reader) -> list[PaperRow]:
    found: list[PaperRow] = []
    faults: list[PaperFault] = []
    seen: dict[tuple[object, ...], int] = {}
    for line, cells in rows:
        named = header.named(line, cells, faults)
        row = reader.row(line, named, faults) if named is not None else None
        if row is None:
            continue
        key = (row.at_s, row.cell.name, row.gun, row.setup.name if row.setup else None, row.part)
        if key in seen:
            text = f"the same gun, setup and time as line {seen[key]}; give both their time of day"
            faults.append(PaperFault(line, "day", text))
        seen[key] = line
        found.append(row)
    if faults:
        raise BadPaper(faults)
    return sorted(found, key=lambda row: (row.at_s, row.line))
