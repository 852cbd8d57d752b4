"""Finds what a module file holds: lens, alignment, range, gyro."""
