"""`flatten page`: the workbench in a browser."""

from __future__ import annotations

import os
from pathlib import Path

import click

from flatten.cli.options import (
    FILE,
    attitude_of,
    attitude_options,
    profile_option,
    quiet_option,
    set_option,
)
from flatten.cli.recordings import recording_options
from flatten.cli.terminal import status, warn


@click.command()
@click.argument("clouds", type=FILE, nargs=-1, required=True, metavar="CLOUD...")
@profile_option
@click.option(
    "--host", default="127.0.0.1", show_default=True, metavar="ADDRESS",
    help="Address to listen on. Any other than this machine's own asks for a token, which is printed once.",
)  # fmt: skip
@click.option(
    "--port", type=click.IntRange(0, 65_535), default=8400, show_default=True, metavar="NUMBER",
    help="Port to listen on; 0 for any that is free.",
)  # fmt: skip
@click.option(
    "--folder", type=FILE, metavar="FOLDER",
    help="The only folder that is saved to. Default: that of the profile.",
)  # fmt: skip
@recording_options
@attitude_options
@set_option
@quiet_option
def page(
    clouds: tuple[Path, ...],
    profile_path: Path,
    host: str,
    port: int,
    folder: Path | None,
    topic: str | None,
    poses_topic: str | None,
    poses_of: str | None,
    roll: float | None,
    pitch: float | None,
    settings: tuple[str, ...],
    quiet: bool,
) -> None:
    """Open the workbench in a browser: slices, mount, fan, reach and blind zones with sliders.

    CLOUD is cloud files, folders of them, or one recording, whose poses tell how the body leaned; what
    moved while a frame was taken is shown as it came. The page shows the returns in space by what the
    slices make of them, the scan from above and the heights from the side, and beside them how many bins
    the floor leaks into, also when the body shakes, and what is missed of what must be seen. Save writes a
    profile into one folder only, comments kept, and asks before it writes over one.

    A rover without a screen: leave --host as it is and let ssh carry the page to your desk,
    `ssh -L 8400:127.0.0.1:8400 rover`, then open http://127.0.0.1:8400/. With --host 0.0.0.0 everybody in
    the network who has the token gets in, and what is sent can be read on the way.

    Ctrl-C ends it. Lengths are metres, angles degrees.

    \b
    Examples:
      flatten page yard.pcd aisle.pcd -p rover.yaml
      flatten page drive.mcap -p rover.yaml --port 9000
      flatten page drive/ -p rover.yaml --host 0.0.0.0 --folder profiles/
    """  # noqa: D301
    # matrices three wide: threads that wait for one another would cost three times as much
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from flatten.errors import PageError  # noqa: PLC0415 - what follows costs the compiler
    from flatten.page.bench import Bench  # noqa: PLC0415
    from flatten.page.draft import Draft  # noqa: PLC0415
    from flatten.page.serving import Server, load_server, run  # noqa: PLC0415
    from flatten.page.source import open_frames  # noqa: PLC0415
    from flatten.profile import setting  # noqa: PLC0415

    load_server()
    draft = Draft(profile_path, dict(setting(text) for text in settings))
    place = (folder or profile_path.parent).resolve()
    if not place.is_dir():
        raise PageError(f"{place}: is no folder: make it first, or leave --folder out")
    warn(draft.profile.warnings, quiet)
    source = open_frames(clouds, topic=topic, poses_topic=poses_topic, poses_of=poses_of)
    try:
        bench = Bench(source, draft, place, attitude_of(roll, pitch))
        with status("looking at the first frame", quiet):
            server = Server(bench, host, port)
        run(server, lambda address: click.echo(f"page: {address}\nCtrl-C ends it"))
    finally:
        source.close()
    click.echo("page closed; what was not saved is gone" if draft.is_changed else "page closed")
