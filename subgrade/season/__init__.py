"""Several graded nights side by side, from their results alone."""
