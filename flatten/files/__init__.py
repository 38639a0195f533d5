"""Files: readers of clouds and writers of scans, one a format, picked by content and suffix.

A cloud file holds at most 2³¹ − 1 returns; packed ones (NPZ, LAZ, compressed PCD) may unpack to
4 GiB and, above 64 MiB, to 100 times their size. Every declared number is held against the size
of the file before memory is reserved for it.
"""

from flatten.files.registry import cloud_formats, find_clouds, read_cloud
from flatten.files.scans import scan_formats, write_scans
from flatten.files.scans_csv import write_csv
from flatten.files.scans_fields import write_fields
from flatten.files.scans_json import write_json
from flatten.files.scans_npz import read_npz, write_npz

__all__ = [
    "cloud_formats",
    "find_clouds",
    "read_cloud",
    "read_npz",
    "scan_formats",
    "write_csv",
    "write_fields",
    "write_json",
    "write_npz",
    "write_scans",
]
