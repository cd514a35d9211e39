"""Read: find light frames, read pixels and header facts."""

from subgrade.lights.calibrate import Masters, apply, load_masters
from subgrade.lights.file_kinds import FITS_SUFFIXES
from subgrade.lights.find_frames import CULLED_MARKER, Found, Kinds, find_lights, natural_key
from subgrade.lights.fits_files import stated_length
from subgrade.lights.frame_names import FrameNames
from subgrade.lights.header_facts import airmass_formula
from subgrade.lights.model import HeaderFacts, Light, Pixels
from subgrade.lights.mosaic import green_parity
from subgrade.lights.read_light import is_light, read_facts, read_light

__all__ = [
    "CULLED_MARKER",
    "FITS_SUFFIXES",
    "Found",
    "FrameNames",
    "HeaderFacts",
    "Kinds",
    "Light",
    "Masters",
    "Pixels",
    "airmass_formula",
    "apply",
    "find_lights",
    "green_parity",
    "is_light",
    "load_masters",
    "natural_key",
    "read_facts",
    "read_light",
    "stated_length",
]
