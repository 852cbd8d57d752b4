"""What the noise figures of a module predict: the error of its speed, cause by cause, and where its limits lie."""

from flow.budget.conditions import Conditions
from flow.budget.image_noise import Texture
from flow.budget.prediction import Budget, Cause, Kind, predict
from flow.budget.situation import PredictionError

__all__ = ["Budget", "Cause", "Conditions", "Kind", "PredictionError", "Texture", "predict"]
