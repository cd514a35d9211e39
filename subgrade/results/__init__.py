"""Stage 5, write: the RESULTS folder and what is read back from it."""
