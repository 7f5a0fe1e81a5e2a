"""A patient fitted to what was recorded, with its doubt, and what a change of settings would do."""

from __future__ import annotations

from tidebench.fitting.change import WhatIf, what_if
from tidebench.fitting.fit import Fit, fit_patient
from tidebench.fitting.predict import Prediction, predict

__all__ = ["Fit", "Prediction", "WhatIf", "fit_patient", "predict", "what_if"]
