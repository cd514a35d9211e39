"""Read: the guiding record as text, understood by what is in it."""

from __future__ import annotations

from importlib import import_module

_WHERE = {
    "read_guide": "read",
    "GuideMap": "guide_map",
    "load_guide_map": "guide_map",
    "describe_record": "description",
    "calm_rms": "description",
    "CALM_SAMPLES": "description",
}
"""Public names and their modules, loaded when asked for."""

__all__ = ["GuideMap", "calm_rms", "describe_record", "load_guide_map", "read_guide"]


def __getattr__(name: str):
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)
