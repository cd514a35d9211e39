"""Practice nights: frames rendered from known causes, for the demo, docs and tests.

Use `simulate_night` for a folder of frames with its guiding record and truth
table, or `build_night` and `render_frame` for single frames in memory.
"""

from .night import NightPlan, RenderedFrame, build_night, render_frame, simulate_night
from .random_night import random_scenario
from .scenario import Event, Scenario
from .scenario_file import adapt, default_scenario, load_scenario
from .shares import motion_shares
from .wide_night import wide_scenario

__all__ = [
    "Event",
    "NightPlan",
    "RenderedFrame",
    "Scenario",
    "adapt",
    "build_night",
    "default_scenario",
    "load_scenario",
    "motion_shares",
    "random_scenario",
    "render_frame",
    "simulate_night",
    "wide_scenario",
]
