"""Small valid files of every format, made here byte by byte or by the format's own library."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import laspy
import lzf
import numpy as np

POINTS = np.array([[1.5, -2.25, 0.125], [3.0, 4.0, -0.5], [-7.75, 0.0, 2.0], [0.25, 9.5, 1.0]], np.float32)
HEARD = np.array([10.0, 0.0, 255.0, 31.5], np.float32)
TIMES = np.array([0.0, 0.025, 0.05, 0.075])
PCD_TYPES = {"f": "F", "i": "I", "u": "U"}


def records(dtype="f4", heard="f4", time="f8", order="<"):
    """Structured records x, label, y, z, intensity, time: a foreign field stands between the coordinates."""
    names = [("x", dtype), ("label", "u2"), ("y", dtype), ("z", dtype), ("intensity", heard), ("time", time)]
    out = np.zeros(
        len(POINTS), np.dtype([(name, np.dtype(kind).newbyteorder(order)) for name, kind in names])
    )
    for axis, name in enumerate("xyz"):
        out[name] = POINTS[:, axis].astype(dtype)
    out["intensity"], out["time"], out["label"] = HEARD.astype(heard), TIMES.astype(time), 7
    return out


def pcd(table, data="binary", **changes):
    """PCD bytes of a structured array; `changes` replace header lines (None leaves one out)."""
    kinds = [table.dtype[name] for name in table.dtype.names]
    lines = {
        "VERSION": "0.7",
        "FIELDS": " ".join(table.dtype.names),
        "SIZE": " ".join(str(kind.base.itemsize) for kind in kinds),
        "TYPE": " ".join(PCD_TYPES[kind.base.kind] for kind in kinds),
        "COUNT": " ".join(str(kind.itemsize // kind.base.itemsize) for kind in kinds),
        "WIDTH": str(table.shape[-1]),
        "HEIGHT": str(table.shape[0] if table.ndim == 2 else 1),
        "VIEWPOINT": "0 0 0 1 0 0 0",
        "POINTS": str(table.size),
        "DATA": data,
        **changes,
    }
    head = "".join(f"{key} {value}\n" for key, value in lines.items() if value is not None)
    return b"# .PCD v0.7\n" + head.encode() + pcd_body(table.reshape(-1), data)


def pcd_body(table, data):
    if data == "ascii":
        return "".join(" ".join(str(v) for v in row.tolist()) + "\n" for row in table).encode()
    if data == "binary":
        return table.tobytes()
    raw = b"".join(np.ascontiguousarray(table[name]).tobytes() for name in table.dtype.names)
    packed = lzf.compress(raw) or literal_lzf(raw)
    return struct.pack("<II", len(packed), len(raw)) + packed


def literal_lzf(raw):
    """LZF without back references, for data that does not shrink: runs of at most 32 literal bytes."""
    runs = [raw[k : k + 32] for k in range(0, len(raw), 32)]
    return b"".join(bytes([len(run) - 1]) + run for run in runs)


PLY_NAMES = {"f4": "float", "f8": "double", "i1": "char", "u1": "uchar", "i2": "short", "u2": "ushort",
             "i4": "int", "u4": "uint"}  # fmt: skip


def ply(table, layout="binary_little_endian", extra="", tail=b"", count=None):
    """PLY bytes of a structured array; `extra` are header lines after the vertex, `tail` their data."""
    order = ">" if "big" in layout else "<"
    properties = "".join(f"property {PLY_NAMES[table.dtype[n].str[1:]]} {n}\n" for n in table.dtype.names)
    head = f"ply\nformat {layout} 1.0\ncomment of a bench aisle\nelement vertex {count or len(table)}\n"
    body = (
        pcd_body(table, "ascii")
        if layout == "ascii"
        else table.astype(table.dtype.newbyteorder(order)).tobytes()
    )
    return (head + properties + extra + "end_header\n").encode() + body + tail


def npy(array):
    stream = io.BytesIO()
    np.save(stream, array)
    return stream.getvalue()


def npz(packed=False, **arrays):
    stream = io.BytesIO()
    (np.savez_compressed if packed else np.savez)(stream, **arrays)
    return stream.getvalue()


def las(count=4, declared=None, each=20, kind=0, minor=2, start=227, records=0, scale=0.01, offset=100.0):
    """LAS 1.2 bytes, point format 0 (ASPRS LAS): record k is X 2346 + k, Y 2k, Z -k, intensity 5k."""
    head = b"LASF" + bytes(20) + bytes([1, minor]) + bytes(64) + struct.pack("<HHH", 1, 2024, 227)
    head += struct.pack("<IIBHI", start, records, kind, each, count if declared is None else declared)
    head += bytes(20) + struct.pack("<3d", *[scale] * 3) + struct.pack("<3d", *[offset] * 3) + bytes(48)
    body = b"".join(
        struct.pack("<iiiHBBbBH", 2346 + k, 2 * k, -k, 5 * k, 0, 0, 0, 0, 0) for k in range(count)
    )
    return head + body


def laz(points=POINTS):
    """LAZ bytes of point format 6, written by laspy."""
    made = laspy.LasData(laspy.LasHeader(version="1.4", point_format=6))
    made.header.scales, made.header.offsets = np.full(3, 0.001), np.zeros(3)
    made.x, made.y, made.z = np.asarray(points, np.float64).T
    made.intensity, made.gps_time = np.arange(len(points)), np.arange(len(points)) * 0.5
    stream = io.BytesIO()
    made.write(stream, do_compress=True)
    return stream.getvalue()


def kitti():
    return np.column_stack([POINTS, HEARD]).astype("<f4").tobytes()


def text(delimiter=" ", head=""):
    rows = np.column_stack([POINTS, HEARD])
    return (head + "".join(delimiter.join(str(float(v)) for v in row) + "\n" for row in rows)).encode()


def every_kind():
    """One valid file of each kind: {file name: bytes}."""
    table = records()
    return {
        "ascii.pcd": pcd(table, "ascii"),
        "binary.pcd": pcd(table, "binary"),
        "packed.pcd": pcd(table, "binary_compressed"),
        "ascii.ply": ply(table, "ascii"),
        "little.ply": ply(table, "binary_little_endian"),
        "big.ply": ply(table, "binary_big_endian"),
        "plain.npy": npy(np.column_stack([POINTS, HEARD])),
        "fields.npy": npy(table),
        "axes.npz": npz(x=POINTS[:, 0], y=POINTS[:, 1], z=POINTS[:, 2], intensity=HEARD, time=TIMES),
        "table.npz": npz(packed=True, points=np.column_stack([POINTS, HEARD])),
        "frame.bin": kitti(),
        "blanks.xyz": text(),
        "commas.csv": text(",", "x,y,z,intensity\n"),
        "semicolons.txt": text(";"),
        "plain.las": las(scale=0.5, offset=0.0),
        "packed.laz": laz(),
    }


def put(folder: Path, name: str, content: bytes) -> Path:
    path = Path(folder) / name
    path.write_bytes(content)
    return path
