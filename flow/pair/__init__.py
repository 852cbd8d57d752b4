"""One pair of frames: from its matches to a velocity and all of its covariance.

``geometry`` turns matches into rays with their own times, exact for any rotation, tilt, lens and rolling rows;
``equations`` are the two that each match gives, ``velocity`` solves them, ``search`` repeats it from a first guess until
all matches agree; ``shared_errors`` and ``scatter`` say how far the result may be off.
"""
