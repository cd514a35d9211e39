"""Guided nights made apart from ``subgrade.practice``, to check its judge from outside.

It shares no code, table or formula with subgrade.  The mount is a drive in a guide loop, run step
by step (`mount`); what troubles it stands in `troubles`; stars are GalSim's (`stars`); the record
comes in layouts and clocks of its own (`record`); truth is worked out from the path and the
noise-free star (`truth`).  Only `score` imports subgrade, to grade what the others made.

Run ``python -m tests.second_sky OUT SEED [SEED ...]``.
"""
