"""Damaged, lying and foreign files: {file name: (bytes, a part of what must be said)}."""

from __future__ import annotations

import io
import struct
import zipfile

import numpy as np

from tests.files import samples
from tests.files.samples import POINTS

TERA = 10**12


def _npy_head(shape, descr="'<f4'"):
    head = f"{{'descr': {descr}, 'fortran_order': False, 'shape': {shape}, }}\n".encode()
    return b"\x93NUMPY\x01\x00" + struct.pack("<H", len(head)) + head


def _zip(members, method=zipfile.ZIP_DEFLATED):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", method) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return stream.getvalue()


def _patched(content, place, value):
    return content[:place] + value + content[place + len(value) :]


def pcd_files():
    table = samples.records()
    binary, packed = samples.pcd(table), samples.pcd(table, "binary_compressed")
    sizes = packed.index(b"DATA binary_compressed\n") + 23
    many = {"WIDTH": str(TERA), "POINTS": str(TERA)}
    most = {"WIDTH": str(2**31 - 1), "POINTS": str(2**31 - 1)}
    flat = np.zeros(4, [("x", "f4"), ("y", "f4")])
    return {
        "cut_body.pcd": (binary[:-1], "cut short"),
        "cut_header.pcd": (binary[:60], "header"),
        "no_data_line.pcd": (binary.replace(b"DATA binary\n", b""), "header"),
        "more_points.pcd": (samples.pcd(table, WIDTH="5", POINTS="5"), "cut short"),
        "fewer_points.pcd": (samples.pcd(table, WIDTH="3", POINTS="3"), "wrong counts"),
        "contradiction.pcd": (samples.pcd(table, POINTS="7"), "WIDTH 4 times HEIGHT 1 is not POINTS 7"),
        "no_z.pcd": (samples.pcd(flat), "no field z"),
        "zero.pcd": (samples.pcd(table[:0]), "no returns"),
        "tera.pcd": (samples.pcd(table, **many), "at most 2147483647"),
        "many.pcd": (samples.pcd(table, **most), "cut short"),
        "many_ascii.pcd": (samples.pcd(table, "ascii", **most), "4 rows"),
        "many_packed.pcd": (samples.pcd(table, "binary_compressed", **most), "wrong counts"),
        "minus.pcd": (samples.pcd(table, WIDTH="-4", POINTS="-4"), "whole numbers"),
        "words.pcd": (samples.pcd(table, WIDTH="four"), "whole numbers"),
        "short_size.pcd": (samples.pcd(table, SIZE="4 4 4"), "same number of fields"),
        "odd_type.pcd": (samples.pcd(table, TYPE="F Z F F F F"), "cannot be"),
        "odd_size.pcd": (samples.pcd(table, SIZE="4 3 4 4 4 8"), "cannot be"),
        "wide.pcd": (samples.pcd(table, COUNT="1 9999999999 1 1 1 1"), "cannot be"),
        "version.pcd": (samples.pcd(table, VERSION="3.1"), "version 3.1"),
        "encoding.pcd": (samples.pcd(table).replace(b"DATA binary", b"DATA wooden"), "DATA wooden"),
        "ragged.pcd": (samples.pcd(table, "ascii").replace(b" 7 ", b" ", 1), "line 1 after DATA"),
        "letters.pcd": (samples.pcd(table, "ascii").replace(b" 7 ", b" pot ", 1), "pcd"),
        "packed_cut.pcd": (packed[:-3], "cut short"),
        "packed_head.pcd": (packed[: sizes + 5], "cut short"),
        "packed_more.pcd": (_patched(packed, sizes, b"\xff\xff\xff\xff"), "cut short"),
        "packed_raw.pcd": (_patched(packed, sizes + 4, b"\xff\xff\xff\xff"), "wrong counts"),
        "packed_noise.pcd": (packed[: sizes + 8] + b"\xff" * (len(packed) - sizes - 8), "pcd"),
        "packed_bomb.pcd": (_lzf_bomb(), "cannot hold"),
        "noise.pcd": (bytes(range(256)) * 8, "header"),
    }


def _lzf_bomb():
    table = np.zeros(10**8, [("x", "f4"), ("y", "f4"), ("z", "f4")])[:0]
    head = samples.pcd(table, "binary", WIDTH="100000000", POINTS="100000000").replace(
        b"binary", b"binary_compressed"
    )
    return head + struct.pack("<II", 2000, 1_200_000_000) + bytes(2000)


def ply_files():
    table = samples.records()
    binary, ascii_ = samples.ply(table), samples.ply(table, "ascii")
    return {
        "cut_body.ply": (binary[:-1], "cut short"),
        "cut_ascii.ply": (ascii_[: ascii_.rindex(b"\n", 0, -1)], "cut short"),
        "cut_header.ply": (binary[:70], "header"),
        "more.ply": (samples.ply(table, count=5), "cut short"),
        "fewer.ply": (samples.ply(table, count=2), "wrong counts"),
        "fewer_ascii.ply": (samples.ply(table, "ascii", count=2), "wrong counts"),
        "tera.ply": (samples.ply(table, count=TERA), "at most 2147483647"),
        "many.ply": (samples.ply(table, count=2**31 - 1), "cut short"),
        "many_ascii.ply": (samples.ply(table, "ascii", count=2**31 - 1), "cut short"),
        "zero.ply": (samples.ply(table[:0]), "no returns"),
        "no_z.ply": (samples.ply(table).replace(b"float z", b"float q"), "no property z"),
        "no_vertex.ply": (binary.replace(b"element vertex", b"element flower"), "no vertices"),
        "format.ply": (binary.replace(b"binary_little", b"binary_middle"), "binary_middle_endian"),
        "type.ply": (binary.replace(b"double time", b"quadro time"), "line 10"),
        "word.ply": (binary.replace(b"comment", b"komment"), "komment"),
        "count.ply": (binary.replace(b"vertex 4", b"vertex x"), "count"),
        "list.ply": (binary.replace(b"property ushort label", b"property list uchar int label"), "lists"),
        "ragged.ply": (ascii_.replace(b" 7 ", b" ", 1), "line 1 after the header"),
        "letters.ply": (ascii_.replace(b" 7 ", b" pot ", 1), "ply"),
        "noise.ply": (bytes(range(256)) * 8, "header"),
    }


def numpy_files():
    whole = samples.npy(POINTS)
    objects = io.BytesIO()
    np.save(objects, np.array([[1, 2, "x"]], object), allow_pickle=True)
    zeros = samples.npy(np.zeros((7_000_000, 3), np.float32))
    axes = samples.npz(x=POINTS[:, 0], y=POINTS[:, 1], z=POINTS[:, 2])
    return {
        "cut.npy": (whole[:-1], "cut short"),
        "cut_head.npy": (whole[:40], "sound NPY"),
        "longer.npy": (whole + whole, "wrong header"),
        "objects.npy": (objects.getvalue(), "Python objects"),
        "flat.npy": (samples.npy(POINTS.ravel()), "shape (12,)"),
        "two_columns.npy": (samples.npy(POINTS[:, :2]), "shape (4, 2)"),
        "complex.npy": (samples.npy(POINTS.astype(complex)), "complex"),
        "words.npy": (samples.npy(np.array([["a", "b", "c"]])), "dtype"),
        "no_z.npy": (samples.npy(samples.records()[["x", "y"]]), "no field z"),
        "zero.npy": (samples.npy(POINTS[:0]), "no returns"),
        "tera.npy": (_npy_head(f"({TERA}, 3)"), "at most 2147483647"),
        "many.npy": (_npy_head("(2147483647, 3)") + bytes(48), "cut short"),
        "minus.npy": (_npy_head("(-4, 3)") + bytes(48), "declares -4"),
        "evil.npy": (_npy_head("(4, 3)", "__import__('os')") + bytes(48), "sound NPY"),
        "noise.npy": (b"\x93NUMPY" + bytes(range(100, 200)), "sound NPY"),
        "cut.npz": (axes[:-30], "zip archive"),
        "bomb.npz": (_zip({"points.npy": zeros}), "claim to unpack"),
        "uncommon.npz": (_zip({"xyz.npy": whole}, zipfile.ZIP_BZIP2), "uncommon"),
        "lying_member.npz": (_zip({"xyz.npy": _npy_head("(2147483647, 3)") + bytes(48)}), "its member holds"),
        "objects.npz": (_zip({"xyz.npy": objects.getvalue()}), "Python objects"),
        "no_z.npz": (samples.npz(x=POINTS[:, 0], y=POINTS[:, 1]), "no arrays x, y, z"),
        "lengths.npz": (samples.npz(x=POINTS[:, 0], y=POINTS[:, 1], z=POINTS[:2, 2]), "share one shape"),
        "documents.npz": (_zip({"readme.txt": b"hello"}), "no arrays"),
        "damaged.npz": (_patched(axes, 140, b"\xff" * 8), "npz"),
    }


def las_files():
    whole, packed = samples.las(), samples.laz()
    return {
        "cut.las": (whole[:-1], "cut short"),
        "cut_head.las": (whole[:200], "cut short"),
        "many.las": (samples.las(declared=2**31 - 1), "cut short"),
        "more.las": (samples.las(declared=2**32 - 1), "at most 2147483647"),
        "zero.las": (samples.las(0), "no returns"),
        "flat.las": (samples.las(each=0), "wrong header"),
        "records.las": (samples.las(records=2**32 - 1), "do not fit"),
        "start.las": (samples.las(start=2**32 - 1), "do not fit"),
        "kind.las": (samples.las(kind=63), "las"),
        "minor.las": (samples.las(minor=4), "LAS 1.4"),
        "unpacked.laz": (samples.las(kind=0x80), "packed"),
        "cut.laz": (packed[:-20], "packed points"),
        "tera.laz": (_patched(packed, 247, struct.pack("<Q", TERA)), "at most 2147483647"),
        "bomb.laz": (_patched(packed, 247, struct.pack("<Q", 10**8)), "claim to unpack"),
        "noise.laz": (b"LASF" + bytes(range(256)) * 8, "declares"),
    }


def other_files():
    return {
        "empty.xyz": (b"", "empty"),
        "empty.pcd": (b"", "empty"),
        "size.bin": (samples.kitti()[:-1], "no whole number"),
        "noise.bin": (np.random.default_rng(0).bytes(16 * 64), "make no sense"),
        "noise.txt": (b"\x00\x01\xff\xfe" * 100, "columns"),
        "noise.png": (b"\x89PNG\r\n\x1a\n" + bytes(100), "neither its content nor its suffix"),
        "nothing": (bytes(100), "neither its content nor its suffix"),
        "poem.csv": (b"the quick brown rover\njumps over the kerb\n", "no column x, y, z"),
        "ragged.csv": (b"1,2,3\n4,5\n", "line 2"),
        "wide.txt": ("1 2 3\n".encode("utf-16"), "columns"),
    }


def all_files():
    return {**pcd_files(), **ply_files(), **numpy_files(), **las_files(), **other_files()}
