"""Stage 7, move: rejects out of the way and back, with a journal that survives a crash."""

from subgrade.moving.culling import cull, would_cull
from subgrade.moving.model import Outcome, Planned
from subgrade.moving.restoring import restore

__all__ = ["Outcome", "Planned", "cull", "restore", "would_cull"]
