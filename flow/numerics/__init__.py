"""Small numerical tools: compiled loops, medians, least squares."""
