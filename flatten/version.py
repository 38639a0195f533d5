"""The version of the library, in one place: results and reports record it."""

__version__ = "0.1.0"
