"""Grade the light frames of a night: measure the stars, keep or reject, say why.

Scripts and notebooks use `subgrade.api`.  Stages, in the order data flows through
them: `subgrade.lights` (read), `subgrade.stars` (measure), `subgrade.night` (compare),
`subgrade.judging` (judge), `subgrade.results` (write).  Each can be used alone.
"""

__version__ = "1.0.0rc1"
