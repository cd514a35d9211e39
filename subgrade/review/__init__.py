"""Look: the graded night in the browser, sub by sub, from a server of this machine only."""
