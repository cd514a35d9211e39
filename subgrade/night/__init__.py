"""Stage 3, compare: group frames, register them, transparency, the night's usual values."""
