"""Which motion drew the stars out, as the stacked star image and the star list show it."""

from subgrade.stars.motion.kinds import MotionFit, weigh_motions, wing_ratio
from subgrade.stars.motion.light_outside_core import stray_light
from subgrade.stars.motion.recovered_profile import MotionProfile, recover_profile
from subgrade.stars.motion.second_images import (
    SecondImage,
    second_image,
    star_trails,
    whole_trails,
)
from subgrade.stars.motion.trail_removed import (
    least_motion,
    light_beside,
    plain_box,
    read_box,
    turned,
    without_trail,
)

__all__ = [
    "MotionFit",
    "MotionProfile",
    "SecondImage",
    "least_motion",
    "light_beside",
    "plain_box",
    "read_box",
    "recover_profile",
    "second_image",
    "star_trails",
    "stray_light",
    "turned",
    "weigh_motions",
    "whole_trails",
    "wing_ratio",
    "without_trail",
]
