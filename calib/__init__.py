"""Finds what a module file holds: lens, alignment, range, gyro; and judges modules and recordings.

Each calibration reads one recording or table and returns its result with a one-sigma for every value; ``section()`` of
it is what the module file takes (:func:`flow.module.section_update`). Names are loaded when they are first used; see
``__init__.pyi``.

Examples
--------
>>> import calib
>>> found = calib.calibrate_range("sample_video/bench/taped.csv")
>>> bool(abs(found.scale - 1) < 1.96 * found.scale_sigma)  # the sample's true scale is 1
True
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
