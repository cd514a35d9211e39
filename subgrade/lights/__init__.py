"""Stage 1, read: find light frames, read pixels and header facts."""
