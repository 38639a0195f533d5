"""`flatten demo`: everything once, with clouds that came along."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import click

from flatten.cli.options import FILE, overwrite_option, quiet_option
from flatten.cli.terminal import count, progress, say

if TYPE_CHECKING:
    from flatten.demo import Demo


@click.command()
@click.argument("folder", type=FILE, default="flatten-demo", metavar="[DIR]")
@overwrite_option
@quiet_option
def demo(folder: Path, overwrite: bool, quiet: bool) -> None:
    """Try everything with sample clouds.

    Takes small clouds of a made-up plant nursery (bench tables, hanging pipes, a ramp, a kerb, a
    dock edge, shade posts, dust, a pitched body), flattens each and writes to DIR (default:
    ./flatten-demo) the scans (NPZ, CSV), pictures, and a report of what was found, compared with
    what is truly there. Clouds of rough ground (ramps, kerb, dock edge, gravel, grass, a wet patch)
    and of a body that shakes and turns are flattened in two ways each, to be compared. A first run
    compiles for some seconds. Metres; the scans are in radians.

    Pictures need the desk extra (pip install 'flatten[desk]'); without it there are scans and the
    report as text.

    \b
    Example:
      flatten demo
      flatten show flatten-demo/clouds/kerb.pcd -p flatten-demo/clouds/rover.yaml
    """  # noqa: D301
    from flatten.demo import run_demo, steps  # noqa: PLC0415 - costs the compiler

    with progress("nursery", steps(), quiet, even=False) as step:
        made = run_demo(folder, overwrite=overwrite, step=step)
    for words in made.missing:
        say("note", words)
    click.echo(_summary(made))


def _summary(made: Demo) -> str:
    from flatten.demo import rough_words, truth_words  # noqa: PLC0415

    place = made.folder
    rows = [
        (f"{place}/report.html", "what was found, cloud by cloud; open it in a browser")
        if made.page
        else None,
        (f"{place}/report.txt", "the same as text" if made.page else "what was found, cloud by cloud"),
        (f"{place}/pictures/", count(made.pictures, "picture")) if made.pictures else None,
        (f"{place}/scans/", "each cloud as NPZ and CSV"),
        (f"{place}/clouds/", "the clouds, two profiles and the truth, to play with"),
    ]
    shown = [row for row in rows if row is not None]
    width = max(len(name) for name, _ in shown)
    lines = [f"{count(made.clouds, 'cloud')}, flattened in {1e3 * made.seconds:.1f} ms each (median)"]
    lines += [textwrap.fill(words, 80) for words in (*truth_words(made.check), rough_words(made))]
    lines += [f"  {name:{width}}  {words}" for name, words in shown]
    lines.append(f"next: flatten show {place}/clouds/kerb.pcd -p {place}/clouds/rover.yaml --slice low")
    return "\n".join(lines)
