"""`python -m benchmarks [clear | kernel | tables]`: measure, write JSON, make the tables of the documents."""

from __future__ import annotations

import sys

from benchmarks import record, tables


def clear() -> None:
    """Measure what scans answer and what they wrongly call free; about 15 minutes."""
    from benchmarks import false_free

    print(record.write("clear_defaults", false_free.clear_defaults()))
    print(record.write("false_free", [*false_free.measure("field"), *false_free.measure("clean")]))


def kernel() -> None:
    """Measure the time a return, beside NumPy; about 1 minute."""
    from benchmarks import kernel as measured

    print(record.write("kernel", measured.measure()))


COMMANDS = {"clear": clear, "kernel": kernel, "tables": tables.make_all}


def main(words: list[str]) -> int:
    """Run the commands named, or all of them."""
    unknown = [word for word in words if word not in COMMANDS]
    if unknown:
        print(f"benchmarks: unknown: {', '.join(unknown)}; known: {', '.join(COMMANDS)}", file=sys.stderr)
        return 2
    for word in words or COMMANDS:
        COMMANDS[word]()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
