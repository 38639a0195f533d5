"""Tables of times, memory and instructions, from the JSON of their parts."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from benchmarks import compiled, record, speed
from benchmarks.markdown import markdown, where

Row = dict[str, Any]

AGAINST = (compiled.NAMES["blocked"], compiled.NAMES["sieved"])
"""C++ baselines that the library is compared with in the compact table; without a compiler there are none."""


LEFT_OUT = (speed.COPY,)
"""Of the compact table; the long one has all."""


def kernel() -> str:
    """The compact table: ns a return, and how many times as fast as NumPy and as two C++ of the run."""
    told = record.read("speed")
    rows = [row for row in told["figures"] if row["group"] == "frames"]
    names = [name for name in dict.fromkeys(row["case"] for row in rows) if name not in LEFT_OUT]
    bases = [base for base in (speed.NUMPY, *AGAINST) if base in names]
    columns = list(dict.fromkeys((row["returns"], row["order"]) for row in rows))
    lines = []
    for name in names:
        own = {(row["returns"], row["order"]): row for row in rows if row["case"] == name}
        cells = [compact(own[column], bases, own[column]["yardstick"]) for column in columns]
        lines.append([name if name in speed.YARDSTICKS else f"**{name}**", *cells])
    words = {speed.NUMPY: "NumPy", AGAINST[0]: "blocked", AGAINST[1]: "sieved"}
    ratios = " / ".join(f"× {words[base]}" for base in bases)
    head = [f"ns a return ({ratios})", *(f"{short(n)}, {o}" for n, o in columns)]
    return markdown(head, lines) + "\n\n" + where(told)


def compact(row: Row, bases: list[str], plain: bool) -> str:
    """Nanoseconds, and for the library how many times as fast as each of `bases`."""
    if plain:
        return digits(row["ns"])
    factors = [1.0 / row["ratios"][base] for base in bases if base in row["ratios"]]
    return f"{digits(row['ns'])} ({' / '.join(digits(factor) for factor in factors)})"


def frames() -> str:
    """Every row of packed clouds, with spreads, answers and ratios to all baselines."""
    told = record.read("speed")
    rows = [row for row in told["figures"] if row["group"] == "frames"]
    head = ["returns", "order", "case", "ns a return", "10 – 90 %", "bins differing", "of these apart"]
    lines = [[short(row["returns"]), row["order"], *timed(row)] for row in rows]
    return markdown(head, lines) + "\n\n" + where(told)


def records() -> str:
    """Message records of several sizes."""
    told = record.read("speed")
    rows = [row for row in told["figures"] if row["group"] == "records"]
    names = list(dict.fromkeys(row["case"] for row in rows))
    lines = []
    for key in dict.fromkeys((row["returns"], row["bytes"], row["shift"]) for row in rows):
        own = {row["case"]: row for row in rows if (row["returns"], row["bytes"], row["shift"]) == key}
        start = "aligned" if key[2] == 0 else f"{key[2]} byte off"
        library = own[speed.BARE]
        cells = [digits(own[name]["ns"]) for name in names]
        lines.append([short(key[0]), str(key[1]), start, *cells, f"{library['differ']} / {library['apart']}"])
    head = ["returns", "bytes", "start", *names, "bins differing / apart"]
    return markdown(head, lines) + "\n\n" + where(told)


def threads() -> str:
    """Two threads against one."""
    told = record.read("speed")
    rows = {row["case"]: row for row in told["figures"] if row["group"] == "threads"}
    lines = []
    for name, row in rows.items():
        double = rows.get(name + speed.TWO)
        if double is not None:
            gain = digits(row["ns"] / double["ns"])
            lines.append(
                [name, digits(row["ns"]), digits(double["ns"]), gain, str(double.get("differ", "–"))]
            )
    returns = short(next(iter(rows.values()))["returns"])
    head = [f"ns a return, {returns}", "one thread", "two threads", "times as fast", "bins differing"]
    return markdown(head, lines) + "\n\n" + where(told)


def latency() -> str:
    """Message bytes to message bytes."""
    told = record.read("latency")
    lines = [
        [row["case"], *(f"{row[key]:,.0f}" for key in ("median", "p95", "p99", "worst"))]
        for row in told["figures"]
    ]
    row = told["figures"][0]
    head = [f"µs, {short(row['returns'])} returns, {row['frames']:,} frames", "median", "p95", "p99", "worst"]
    return (
        markdown(head, lines) + f"\n\nInterrupted {row['switched']} times by other processes. " + where(told)
    )


def memory() -> str:
    """What a warmed-up call allocates."""
    told = record.read("memory")
    lines = [
        [
            row["case"], short(row["returns"]), f"{row['peak']:,}", str(row["arrays"]),
            f"{row['array_bytes']:,}", str(row.get("kernel_arrays", "–")), f"{row['resident_growth']:,}",
        ]
        for row in told["figures"]
    ]  # fmt: skip
    head = [
        "case", "returns", "peak, bytes", "arrays handed out", "their bytes", "arrays in compiled code",
        "resident growth over 50 calls",
    ]  # fmt: skip
    return markdown(head, lines) + "\n\n" + where(told)


def startup() -> str:
    """Seconds and memory of a start, a column a kind of start."""
    told = record.read("startup")
    rows: list[Row] = told["figures"]
    starts = list(dict.fromkeys(row["start"] for row in rows))
    lines = []
    for case in dict.fromkeys(row["case"] for row in rows):
        own = {row["start"]: row for row in rows if row["case"] == case}
        lines.append([case, *(amount(own.get(start)) for start in starts)])
    return markdown(["", *starts], lines) + "\n\n" + where(told)


def instructions() -> str:
    """Instructions a return, and what a frame costs on top."""
    told = record.read("instructions")
    lines = [
        [row["case"], row["order"], digits(row["instructions"]), f"{row['frame']:,.0f}"]
        for row in told["figures"]
    ]
    head = ["case", "order", "instructions a return", "a frame, on top"]
    return markdown(head, lines) + "\n\n" + " ".join([*told["notes"], where(told)])


def timed(row: Row) -> Iterable[str]:
    """Cells of a row with its spread and how its answer compares."""
    told = [str(row[key]) if key in row else "–" for key in ("differ", "apart")]
    return [row["case"], digits(row["ns"]), f"{digits(row['low'])} – {digits(row['high'])}", *told]


def amount(row: Row | None) -> str:
    """Seconds or bytes of a start, readable; nothing where it was not measured."""
    if row is None:
        return ""
    if "bytes" in row:
        return f"{row['bytes'] / 2**20:,.0f} MiB"
    return f"{row['seconds']:.2f} s" if row["seconds"] >= 0.1 else f"{1e3 * row['seconds']:.2f} ms"


def digits(value: float) -> str:
    """Three digits, or two of what is small."""
    if value >= 100:
        return f"{value:.0f}"
    return f"{value:.1f}" if value >= 10 else f"{value:.2f}" if value >= 0.1 else f"{value:.2g}"


def short(n: int) -> str:
    """A count in few letters."""
    return f"{n / 1e6:g} M" if n >= 1_000_000 else f"{n / 1e3:g} k"


TABLES = {
    "kernel": kernel,
    "frames": frames,
    "records": records,
    "threads": threads,
    "latency": latency,
    "memory": memory,
    "startup": startup,
    "instructions": instructions,
}
