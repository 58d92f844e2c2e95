"""Surveys drawn by other laws than the corrections assume, with known truth: what they do there, good or harm.

Other correlation lengths and marginals of the ground, heavier tails, log-normal speeds, missed beats, drift by a random
walk, a gain that follows the height, coils that see farther along the walking direction, readings to a last digit.
Nothing here is shared with the plugin.
"""

from .cases import CASES, Case
from .ground import Ground, flat, geology
from .instrument import NONE, Errors, usual_errors
from .perfect import FORMS, PERFECT_WALKS, Perfect
from .strokes import Layout, Stroke
from .survey import Step, Survey, Truth, stream, survey
from .texts import ORIGIN
from .walking import Gait, usual_gait

__all__ = [
    "CASES",
    "FORMS",
    "NONE",
    "ORIGIN",
    "PERFECT_WALKS",
    "Case",
    "Errors",
    "Gait",
    "Ground",
    "Layout",
    "Perfect",
    "Step",
    "Stroke",
    "Survey",
    "Truth",
    "flat",
    "geology",
    "stream",
    "survey",
    "usual_errors",
    "usual_gait",
]
