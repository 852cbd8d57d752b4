"""The motion of a picture, block by block, as finely as the noise of its pixels allows.

``filters`` designs smoothing, slope and interpolation, ``kernels`` holds the loops over all pixels, ``blocks`` makes
matches of their sums.
"""
