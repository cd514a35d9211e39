"""Grade the light frames of a night: measure the stars, keep or reject, say why.

Stages, in the order data flows through them: `subgrade.lights` (read),
`subgrade.stars` (measure), `subgrade.night` (compare), `subgrade.judging`
(judge), `subgrade.results` (write).  Each can be used alone.
"""

__version__ = "0.1.0"
