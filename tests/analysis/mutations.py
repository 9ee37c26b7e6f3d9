"""Spoiled files by the thousand: each must give figures, flags or a named error, never a traceback and no warning.

Every mutation is drawn from its number alone, so that a number names the case. To try many:

    python -m tests.benchmarks.mutations 100000 [first]
"""

from __future__ import annotations

import io
import json
import math
import signal
import tempfile
import traceback
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

import analysis
from analysis import studies
from analysis.errors import AnalysisError
from tests.analysis.bench import SETUP

ROWS = 60
LONGEST = 20  # [s] a small file may take
_STEADY = '[steady]\nmin_duration = "20 s"\nmax_slope = "1 K/min"\n'
_HEADS = ("time [s]", "hot [degC]", "cold [degC]", "power [W]", "gap [um]", "force [N]")

# Cells, units and bytes that readers of tables are known to stumble over.
_CELLS = (
    "", "NaN", "-nan", "NA", "inf", "-Infinity", "1e999", "-1e-400", "1,5", "1.234,5", "1_000", "0x1F", "١٢",
    "½", "--1", "+", "1e", ".", "true", "None", "#REF!", "=1/0", '"', '""', "'", "a\tb", "a;b", "\x00",
    "\u2212" + "5", "1 2", "1e308", "5e-324", "2026-03-02T09:00:00", "2026-03-29T02:30:00", "2026-02-30",
    "9999-12-31T23:59:59Z", "24:00:00", "9" * 400, "x" * 3000,
)  # fmt: skip
_UNITS = (
    "", "degC", "°C", "K", "degF", "W", "kW", "um", "µm", "μm", "m", "s", "min", "ms", "N", "kN", "1", "%",
    "W/", "/", "**", "K**999", "m^^2", "degC*m", "delta_degC", "(", ")", "[", "]", "1e400 m", "furlong",
    "W*W*W", "e", "m-m", "0*m", "lambda", "import", "s ", "\u200b", "um\n",
)  # fmt: skip
_BYTES = (
    b"", b"\x00", b"\xff", b"\xff\xfe", b"\xef\xbb\xbf", b'"', b"\r", b"\n", b"\r\n\r\n", b",", b";", b"\t",
    b"#", b"[", b"]", b"=", b"\x1a", b"1e999", b"\xc3", b"\xed\xa0\x80", b"\xf0\x9f\x92\xa9", b"'''", b'"""',
    b"{", b"}", b"..", b"__proto__", b"\\u0000",
)  # fmt: skip
_VALUES = (
    "0", "-1", "1", "nan", "inf", "-inf", "1e400", "1e-320", "true", '""', "[]", "{}", '"0 mm^2"', '"-5 W"',
    '"1 degC"', '"nan K"', '"inf s"', '"1e999 W"', '"5"', '"K"', '"1 %"', '"1 / 0 W"', '{ value = "1 W/K" }',
    '{ value = 1, u = -1 }', '{ value = "0 W/K", u = "0 W/K" }', "1979-05-27", '"Europe/Nowhere"',
    '"../../etc"', "'''\n'''", '["a", 1]', "9" * 30,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Case:
    """One spoiled file: what kind it is, its bytes and its ending."""

    kind: str
    data: bytes
    ending: str


def columns() -> dict[str, list[float]]:
    """A small run that settles at once; every figure can be found in it."""
    rng = np.random.default_rng(3)
    t = np.arange(ROWS, dtype=float)
    on = np.where(t < 10.0, 0.0, 1.0)
    values = (t, 25.0 + 2.0 * on, 25.0 + 0.0 * t, 150.0 * on, 56.0 + 0.0 * t, 250.0 + 0.0 * t)
    noisy = [values[0], *(np.round(value + 0.01 * rng.normal(size=ROWS), 3) for value in values[1:])]
    return {head: value.tolist() for head, value in zip(_HEADS, noisy, strict=True)}


@cache
def plain_csv() -> bytes:
    table = columns()
    rows = [",".join(table), *(",".join(repr(value) for value in row) for row in zip(*table.values(), strict=True))]
    return ("# operator: N. N.\n" + "\n".join(rows) + "\n").encode()


@cache
def plain_parquet() -> bytes:
    import polars as pl

    stream = io.BytesIO()
    pl.DataFrame(columns()).write_parquet(stream, compression="uncompressed")
    return stream.getvalue()


@cache
def plain_xlsx() -> bytes:
    return workbook([list(columns()), *map(list, zip(*columns().values(), strict=True))])


def workbook(rows: list[list[object]]) -> bytes:
    """A sheet of these cells, as a spreadsheet program writes it."""
    import xlsxwriter

    stream = io.BytesIO()
    with xlsxwriter.Workbook(stream, {"in_memory": True, "nan_inf_to_errors": True}) as book:
        sheet = book.add_worksheet()
        for number, row in enumerate(rows):
            for place, cell in enumerate(row):
                if isinstance(cell, str):
                    sheet.write_string(number, place, cell[:32000])
                else:
                    sheet.write(number, place, cell)
    return stream.getvalue()


@cache
def plain_tdms() -> bytes:
    from nptdms import ChannelObject, TdmsWriter

    stream = io.BytesIO()
    with TdmsWriter(stream) as writer:
        writer.write_segment([ChannelObject("run", head, np.array(values)) for head, values in columns().items()])
    return stream.getvalue()


@cache
def plain_result() -> bytes:
    reduction = analysis.reduce(columns(), setup=setup_table())
    return json.dumps(reduction.to_dict()).encode()


@cache
def setup_table() -> dict[str, object]:
    import tomllib

    return tomllib.loads(SETUP + _STEADY)


# --- how files are spoiled ----------------------------------------


def spoiled_bytes(rng: np.random.Generator, data: bytes) -> bytes:
    """Bytes flipped, cut, put in, left out, doubled; a few times over."""
    spoiled = bytearray(data)
    for _ in range(int(rng.integers(1, 5))):
        at, size = int(rng.integers(0, len(spoiled) + 1)), int(rng.geometric(0.1))
        way = int(rng.integers(0, 6))
        if way == 0 and spoiled:
            spoiled[min(at, len(spoiled) - 1)] ^= 1 << int(rng.integers(0, 8))
        elif way == 1 and rng.random() < 0.3:
            del spoiled[at:]
        elif way == 2:
            spoiled[at:at] = _BYTES[int(rng.integers(0, len(_BYTES)))]
        elif way == 3:
            del spoiled[at : at + size]
        elif way == 4:
            spoiled[at:at] = spoiled[at : at + size]
        else:
            spoiled[at : at + size] = rng.bytes(size)
    return bytes(spoiled)


def spoiled_lines(rng: np.random.Generator, text: str) -> str:
    """Lines doubled, lost, swapped, cut short."""
    lines = text.split("\n")
    for _ in range(int(rng.integers(1, 4))):
        at, other = (int(one) for one in rng.integers(0, len(lines), size=2))
        way = int(rng.integers(0, 5))
        if way == 0:
            lines.insert(other, lines[at])
        elif way == 1 and len(lines) > 1:
            del lines[at]
        elif way == 2:
            lines[at], lines[other] = lines[other], lines[at]
        elif way == 3:
            lines[at] = lines[at][: int(rng.integers(0, len(lines[at]) + 1))]
        else:
            lines[at] += lines[other]
    return "\n".join(lines)


def spoiled_cells(rng: np.random.Generator) -> list[list[object]]:
    """The table with cells, whole columns or heads replaced."""
    rows: list[list[object]] = [list(columns()), *map(list, zip(*columns().values(), strict=True))]
    for _ in range(int(rng.integers(1, 4))):
        row, place = int(rng.integers(0, len(rows))), int(rng.integers(0, len(_HEADS)))
        way = int(rng.integers(0, 4))
        cell = _CELLS[int(rng.integers(0, len(_CELLS)))]
        if way == 0:
            rows[row][place] = cell
        elif way == 1:
            name = str(rows[0][place]).split(" [")[0]
            rows[0][place] = f"{name} [{_UNITS[int(rng.integers(0, len(_UNITS)))]}]"
        elif way == 2:
            for one in rows[1:]:
                one[place] = cell
        else:
            rows[row][place] = float(rng.choice([math.nan, math.inf, -math.inf, 1e300, -1e300, 0.0, 1e-300, 1e18]))
    return rows


def _csv(rng: np.random.Generator) -> Case:
    way = int(rng.integers(0, 4))
    if way == 0:
        return Case("csv", spoiled_bytes(rng, plain_csv()), "csv")
    if way == 1:
        return Case("csv", spoiled_lines(rng, plain_csv().decode()).encode(), "csv")
    if way == 2:
        text = "\n".join(",".join(str(cell) for cell in row) for row in spoiled_cells(rng)) + "\n"
        return Case("csv", text.encode("utf-8", "surrogatepass"), "csv")
    separator, decimal = [(";", ","), ("\t", "."), ("|", "."), (" ", "."), (";", ".")][int(rng.integers(0, 5))]
    text = plain_csv().decode().replace(",", separator).replace(".", decimal)
    encoding = str(rng.choice(["utf-16", "utf-16-le", "utf-32", "cp1252", "utf-8-sig", "utf-7", "cp500"]))
    return Case("csv", spoiled_lines(rng, text).encode(encoding), "csv")


def _xlsx(rng: np.random.Generator) -> Case:
    way = int(rng.integers(0, 3))
    if way == 0:
        return Case("xlsx", spoiled_bytes(rng, plain_xlsx()), "xlsx")
    if way == 1:
        return Case("xlsx", workbook(spoiled_cells(rng)), "xlsx")
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(plain_xlsx())) as old, zipfile.ZipFile(stream, "w") as new:
        names = old.namelist()
        hit = names[int(rng.integers(0, len(names)))]
        for name in names:
            if name == hit and rng.random() < 0.2:
                continue
            new.writestr(name, spoiled_bytes(rng, old.read(name)) if name == hit else old.read(name))
    return Case("xlsx", stream.getvalue(), "xlsx")


def _parquet(rng: np.random.Generator) -> Case:
    if rng.random() < 0.6:
        return Case("parquet", spoiled_bytes(rng, plain_parquet()), "parquet")
    import polars as pl

    frame = pl.DataFrame(columns())
    types = (
        pl.Float32,
        pl.String,
        pl.Int8,
        pl.Boolean,
        pl.Categorical,
        pl.Datetime("us"),
        pl.Duration,
        pl.List(pl.Float64),
        pl.Null,
    )
    for name in frame.columns:
        if rng.random() < 0.3:
            kind, column = types[int(rng.integers(0, len(types)))], pl.col(name)
            column = column.cast(pl.String) if kind is pl.Categorical else column
            column = pl.concat_list(column) if isinstance(kind, pl.List) else column.cast(kind, strict=False)
            frame = frame.with_columns(pl.lit(None).alias(name) if kind is pl.Null else column)
        if rng.random() < 0.1:
            unit = _UNITS[int(rng.integers(0, len(_UNITS)))]
            frame = frame.rename({name: f"{name.split(' [')[0]} [{unit}]"})
    stream = io.BytesIO()
    frame.head(int(rng.choice([0, 1, 2, ROWS]))).write_parquet(stream)
    return Case("parquet", stream.getvalue(), "parquet")


def _tdms(rng: np.random.Generator) -> Case:
    if rng.random() < 0.6:
        return Case("tdms", spoiled_bytes(rng, plain_tdms()), "tdms")
    from nptdms import ChannelObject, TdmsWriter

    stream, table = io.BytesIO(), columns()
    with TdmsWriter(stream) as writer:
        for _ in range(int(rng.integers(0, 3))):
            members = []
            for head, values in table.items():
                kind = rng.choice(["<f8", "<f4", "<i2", "<u1", "<c16", "bool"])
                size = int(rng.choice([0, 1, ROWS, ROWS, ROWS]))
                properties = {
                    "wf_increment": float(rng.choice([0.0, -1.0, 1.0, math.nan, math.inf])),
                    "unit_string": str(rng.choice(_UNITS)),
                }
                given = properties if rng.random() < 0.3 else {}
                members.append(ChannelObject("run", head, np.array(values[:size]).astype(kind), given))
            writer.write_segment(members)
    return Case("tdms", stream.getvalue(), "tdms")


def _toml(rng: np.random.Generator) -> Case:
    text = SETUP + _STEADY
    way = int(rng.integers(0, 4))
    if way == 0:
        return Case("toml", spoiled_bytes(rng, text.encode()), "toml")
    if way == 1:
        return Case("toml", spoiled_lines(rng, text).encode(), "toml")
    lines = text.split("\n")
    for _ in range(int(rng.integers(1, 4))):
        at = int(rng.integers(0, len(lines)))
        if "=" in lines[at]:
            key, value = lines[at].split("=", 1)
            if way == 2:
                value = " " + _VALUES[int(rng.integers(0, len(_VALUES)))]
            else:
                value = value.rstrip('"').rsplit(" ", 1)[0] + " " + _UNITS[int(rng.integers(0, len(_UNITS)))] + '"'
            lines[at] = f"{key}={value}"
        else:
            extra = ("expansion", "zero_max_age", "depth", "gain", "time_zone", "method", "window", "pair", "u")
            lines.insert(at, f"{rng.choice(extra)} = {_VALUES[int(rng.integers(0, len(_VALUES)))]}")
    return Case("toml", "\n".join(lines).encode("utf-8", "surrogatepass"), "toml")


def _result(rng: np.random.Generator) -> Case:
    """A result, one value of it replaced or its bytes spoiled."""
    if rng.random() < 0.3:
        return Case("result", spoiled_bytes(rng, plain_result()), "json")
    data = json.loads(plain_result())
    for _ in range(int(rng.integers(1, 4))):
        at, path = data, []
        while isinstance(at, dict | list) and at:
            keys = list(at) if isinstance(at, dict) else list(range(len(at)))
            path.append((at, keys[int(rng.integers(0, len(keys)))]))
            at = at[path[-1][1]]
            if rng.random() < 0.15:
                break
        odd = (None, True, -1, 0, 1e400, -1e308, math.nan, "", "x", [], {}, [1], {"value": 1}, "9" * 50, 10**400)
        if path:
            path[-1][0][path[-1][1]] = odd[int(rng.integers(0, len(odd)))]
    return Case("result", json.dumps(data).encode(), "json")


MAKERS: tuple[Callable[[np.random.Generator], Case], ...] = (_csv, _xlsx, _parquet, _tdms, _toml, _result)


def case(number: int) -> Case:
    """The spoiled file of this number."""
    return MAKERS[number % len(MAKERS)](np.random.default_rng(90_000_000 + number))


# --- what is tried ----------------------------------------


def tried(one: Case, folder: Path) -> str:
    """Read and reduce a spoiled file: "figures", "no figures" or "refused"; whatever else is raised is a fault."""
    path = folder / f"spoiled.{one.ending}"
    path.write_bytes(one.data)
    try:
        if one.kind == "toml":
            found = analysis.reduce(columns(), setup=path)
        elif one.kind == "result":
            whole = studies.read_result(path)
            studies.series([path, path, path])
            studies.ageing([path, path])
            found = analysis.from_dict(whole)
        else:
            found = analysis.reduce(path, setup=setup_table())
        json.dumps(found.to_dict(), allow_nan=False)
        analysis.to_text(found)
    except AnalysisError as error:
        if not str(error).strip():
            raise AssertionError("an error without words") from error
        return "refused"
    return "figures" if found.figures else "no figures"


@contextmanager
def in_time(seconds: int) -> Iterator[None]:
    """TimeoutError where the work takes longer."""

    def late(*_: object) -> None:
        raise TimeoutError(f"took longer than {seconds} s")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def fault_of(number: int, folder: Path) -> tuple[str, str]:
    """What became of one number, and the traceback where it failed."""
    one = case(number)
    try:
        with warnings.catch_warnings(), in_time(LONGEST):
            warnings.simplefilter("error")
            return f"{one.kind}: {tried(one, folder)}", ""
    except KeyboardInterrupt:
        raise
    except BaseException:  # noqa: BLE001 - a panic of a native library is no Exception
        return f"{one.kind}: FAULT", traceback.format_exc()


def many(
    count: int, *, first: int = 0, told: Callable[[str], None] | None = None
) -> tuple[Counter[str], dict[str, list[int]]]:
    """Try `count` numbers from `first`: how each kind fared, and the numbers that failed by what failed."""
    fared: Counter[str] = Counter()
    faults: dict[str, list[int]] = {}
    with tempfile.TemporaryDirectory() as name:
        for number in range(first, first + count):
            how, trace = fault_of(number, Path(name))
            fared[how] += 1
            if trace:
                lines = [line for line in trace.strip().splitlines() if "/site-packages/" not in line]
                ours = [line.strip() for line in lines if "/analysis/" in line and "tests/" not in line]
                place = ours[-1] if ours else ""
                key = f"{place} | {trace.strip().splitlines()[-1][:160]}"
                faults.setdefault(key, []).append(number)
                if told is not None and len(faults[key]) == 1:
                    told(f"--- {number}\n{trace}")
    return fared, faults
