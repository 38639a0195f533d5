"""Table of how the page follows its sliders."""

from __future__ import annotations

from benchmarks import record
from benchmarks.markdown import markdown, where
from benchmarks.speed_tables import short


def page() -> str:
    """Milliseconds from a slider's event to the scan, and to all figures."""
    told = record.read("page")
    lines = [
        [
            short(row["returns"]), row["slider"], *(f"{ms:.0f}" for ms in row["scan_ms"]),
            *(f"{ms:.0f}" for ms in row["figures_ms"][:2]), f"{row['processor_ms']:.0f}",
            f"{row['bytes'] / 1000:.0f}",
        ]
        for row in told["figures"]
    ]  # fmt: skip
    head = [
        "returns", "slider", "scan, median ms", "95 %", "worst", "figures, median ms", "95 %",
        "processor, ms an event", "kB sent",
    ]  # fmt: skip
    return markdown(head, lines) + "\n\n" + where(told)


TABLES = {"page": page}
