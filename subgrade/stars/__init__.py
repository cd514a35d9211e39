"""Stage 2, measure: background, detection, star shapes, the stacked star image."""
