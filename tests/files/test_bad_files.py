"""Whatever is wrong with a file: one line of CloudError that names it, and bounded memory."""

import os
import socket
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

import flatten
from flatten import CloudError
from flatten.files import read_cloud
from tests.files import samples
from tests.files.bad_files import all_files

BAD = all_files()


def one_line(caught, name):
    assert type(caught.value) is CloudError
    text = str(caught.value)
    assert name in text and "\n" not in text and "Traceback" not in text
    assert text.count(": ") >= 2, f"not 'name: what is wrong: what to do': {text}"
    return text


@pytest.mark.parametrize("name", BAD)
def test_one_line_that_names_file_and_fault(tmp_path, name, capfd):
    content, says = BAD[name]
    with pytest.raises(CloudError) as caught:
        flatten.read_cloud(samples.put(tmp_path, name, content))
    assert says in one_line(caught, name)
    assert capfd.readouterr() == ("", "")  # the library prints nothing


def test_the_table_is_long_enough():
    assert len(BAD) >= 40


def test_all_of_them_in_bounded_memory(tmp_path):
    """512 MiB of address space above what the libraries take; lying headers ask for up to 12 TB."""
    for name, (content, _) in BAD.items():
        samples.put(tmp_path, name, content)
    code = """
        import resource, sys
        from pathlib import Path
        import pypcd4, trimesh.exchange.ply, laspy
        from flatten import CloudError
        from flatten.files import read_cloud
        used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (used + 2**29, used + 2**29))
        for path in sorted(Path(sys.argv[1]).iterdir()):
            try:
                read_cloud(path)
                raise SystemExit(f"{path} was read")
            except CloudError as error:
                if "does not fit into memory" in str(error):
                    raise SystemExit(f"{path} asked for memory")
        # VmHWM, as ru_maxrss would tell of the tests' own process too, which this one was a copy of
        print(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0])
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code), str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-500:]
    assert done.stderr == ""
    assert int(done.stdout) < 2**20  # KiB resident at the peak, libraries and all


@pytest.mark.parametrize("name", ["cut_body.pcd", "many.npy", "noise.bin", "cut.laz"])
def test_a_named_format_is_as_strict(tmp_path, name):
    path = samples.put(tmp_path, name, BAD[name][0])
    for format in flatten.files.cloud_formats():
        with pytest.raises(CloudError) as caught:
            read_cloud(path, format=format)
        one_line(caught, name)


def test_unknown_format(tmp_path):
    path = samples.put(tmp_path, "a.xyz", samples.text())
    with pytest.raises(CloudError, match=r"format stone is not known: use one of pcd, ply"):
        read_cloud(path, format="stone")


def special(folder, kind):
    path = folder / f"{kind}.pcd"
    if kind == "folder":
        path.mkdir()
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "loop":
        path.symlink_to(path)
    elif kind == "dangling":
        path.symlink_to(folder / "gone.pcd")
    elif kind == "device":
        path.symlink_to("/dev/zero")
    elif kind == "below":
        samples.put(folder, "file", b"1 2 3\n")
        return folder / "file" / "below.pcd"
    return path


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("missing", "no such file"),
        ("folder", "is a folder"),
        ("pipe", "not a regular file"),
        ("device", "not a regular file"),
        ("dangling", "no such file"),
        ("loop", "cannot be opened"),
        ("below", "cannot be opened"),
    ],
)
def test_what_is_no_file(tmp_path, kind, says):
    path = special(tmp_path, kind)
    with pytest.raises(CloudError) as caught:
        read_cloud(path)
    assert says in one_line(caught, path.name)


def test_a_socket(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # the name of a socket must be short
    with socket.socket(socket.AF_UNIX) as bound:
        bound.bind("s.pcd")
        with pytest.raises(CloudError, match=r"s\.pcd: is a device, pipe or socket"):
            read_cloud("s.pcd")


@pytest.mark.parametrize("path", ["a\0b.pcd", "x" * 5000 + ".pcd", 7, None, b"gone.pcd"])
def test_odd_paths(path):
    with pytest.raises(CloudError):
        read_cloud(path)


def test_no_permission(tmp_path):
    path = samples.put(tmp_path, "closed.pcd", samples.pcd(samples.records()))
    path.chmod(0)
    code = (
        "import os, sys; os.getuid() or os.setuid(65534)\n"  # root may read anything: become nobody
        "from flatten import CloudError\nfrom flatten.files import read_cloud\n"
        "try: read_cloud('closed.pcd')\nexcept CloudError as error: print(error)"
    )
    code = "import flatten.files, flatten\n" + code
    for folder in (tmp_path, *tmp_path.parents[:2]):
        folder.chmod(0o755)
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(map(os.path.abspath, filter(None, sys.path)))},
        check=False,
    )
    assert done.stdout.strip() == "closed.pcd: no permission to read it: change its mode or owner", (
        done.stderr
    )


def test_reading_leaves_no_file_open(tmp_path):
    path = samples.put(tmp_path, "cut.pcd", BAD["cut_body.pcd"][0])
    good = samples.put(tmp_path, "good.npz", samples.npz(xyz=samples.POINTS))
    before = len(list(Path("/proc/self/fd").iterdir()))
    for _ in range(5):
        with pytest.raises(CloudError):
            read_cloud(path)
        read_cloud(good)
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_missing_optional_library(tmp_path, monkeypatch):
    path = samples.put(tmp_path, "a.las", samples.las())
    monkeypatch.setitem(sys.modules, "laspy", None)  # what import sees where it is not installed
    with pytest.raises(flatten.MissingPartError, match=r"pip install 'flatten\[desk\]'"):
        read_cloud(path)


def test_readers_do_not_load_the_desk_libraries(tmp_path):
    for name, content in samples.every_kind().items():
        samples.put(tmp_path, name, content)
    code = (
        "import sys, flatten\nfrom pathlib import Path\n"
        "heavy = {'open3d', 'trimesh', 'pypcd4', 'laspy', 'matplotlib', 'rosbags'}\n"
        "assert not heavy & set(sys.modules), heavy & set(sys.modules)\n"
        "[flatten.read_cloud(p) for p in Path(sys.argv[1]).iterdir()]\n"
        "assert not {'open3d', 'matplotlib', 'rosbags'} & set(sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
