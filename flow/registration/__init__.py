"""The motion of a picture, block by block, as finely as the noise of its pixels allows.

``filters`` designs smoothing, slope and interpolation, ``kernels`` and ``comparison`` hold the loops over all pixels,
``resolve`` makes steps of their sums, by ``equations`` and the ``light`` that blocks share, and ``blocks`` matches of those.
"""
