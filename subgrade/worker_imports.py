"""Imported by the process that measuring processes are forked from: has all they need in memory.

Only what is on disk already is loaded: compiling is left to the measuring processes, which share
it and say so.
"""

import contextlib

# a measuring process meets whatever fails here again, and reports it
with contextlib.suppress(Exception):
    import subgrade.measuring
    import subgrade.results.measurement_cache  # noqa: F401
    from subgrade.lights import read_light  # noqa: F401
    from subgrade.stars import frame_pictures, load_kernels  # noqa: F401

    load_kernels()
