"""Speed, tilt, height and sensor biases at the gyro's rate: pictures, ranges and inertial sensors in one.

The path of the data: ``inputs`` (results of the estimator -> rows with their errors parted by how they go on) and
``samples`` (inertial samples that wait) -> ``filter`` (the causal filter, live or on a log), which carries ``estimate`` on
(``motion``, ``layout``), and corrects it by ``pictures``, ``ranging`` and ``anchors`` -> ``smoother`` ->
``state`` (quantities) -> ``fusedlog`` (``fused.csv``) and ``rawspeed`` (what a control loop needs to know of the raw rows);
``fuse`` puts a recording through all of it. Names are loaded when they are first used; see ``__init__.pyi``.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
