"""Measurements behind every figure in the documents; each command writes JSON first."""
