"""Downward video, gyro and range to metric ground speed.

The path of the data: ``recording`` (video, logs, module) -> ``registration`` and ``tracks`` (image motion) + ``rotation``
(gyro) + ``height`` and ``tilt`` (the ground plane) -> ``pair`` (the exact two-frame equations and the covariance) ->
``estimator`` (one row a frame) -> ``speedlog``. Axes, signs and clocks: body x forward, y right, z down (ISO 1151-1);
velocities in level axes, forward, right, down; times on the gyro's clock; SI units, stated in every name.

What is imported here is named in ``__init__.pyi`` and loaded when it is first used (SPEC 1 of Scientific Python), so
that ``import flow`` costs next to nothing.

Examples
--------
>>> import itertools
>>> import flow
>>> results = flow.measure(flow.open_recording("sample_video/flight"), positions=False, first_pass=False)
>>> log = flow.speed_table(itertools.islice(results, 3))
>>> log.columns[:5].to_list()
['time_s', 'interval_s', 'forward_m_s', 'right_m_s', 'down_m_s']
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
