"""Whole recordings to scans: in pieces that are each written durably, and joined when all are there.

    Order, Recording -> Plan (pieces, fixed by the input) -> a part a piece -> one result, one manifest

A piece depends on the recording, the profile and the versions of the libraries alone, never on who flattens
it or what came before: whoever is stopped goes on with the pieces that are missing, and processes and
machines can share them.
"""

from flatten.batch.order import FORMATS, Order
from flatten.batch.whole import Batch, Outcome, run_batch

__all__ = ["FORMATS", "Batch", "Order", "Outcome", "run_batch"]
