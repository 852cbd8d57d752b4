"""The stages that a frame passes through, one module each: predict, clean, register, judge, weigh, update.

A stage takes values that do not change and gives such (:mod:`flow.stages.values`); what is remembered from pair to pair
stands in :mod:`flow.stages.state`. :mod:`flow.estimator` strings them together.
"""
