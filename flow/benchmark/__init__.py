"""Accuracy against height on synthetic or recorded flights, beside other methods on the same frames.

``trials`` is the work list and the worker, ``sweep`` hands the work out, ``run_log`` and ``outcomes`` collect: each may be
replaced without the others.
"""
