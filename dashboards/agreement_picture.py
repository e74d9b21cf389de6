"""Picture of two instruments compared: mean difference and limits of agreement by wavelength."""

from typing import TYPE_CHECKING, Any

import numpy as np
from speclake_dashboards import theme
from speclake_dashboards.curves import frame
from speclake_dashboards.matching import Units

if TYPE_CHECKING:
    from speclake.fitness.comparing import Agreement
    from speclake.spectrum import FloatArray

BIAS, LIMITS = "#0072b2", theme.QUIET_INK
LOOKS = (
    (BIAS, "solid", "mean difference, with its confidence interval shaded"),
    (LIMITS, "dashed", "limits of agreement: the mean difference ± 1.96 standard deviations"),
    (LIMITS, "dotted", "confidence intervals of the limits, their outer ends"),
)
"""Colour, stroke and meaning of each line."""


def picture(positions: "FloatArray", found: "Agreement", units: Units) -> Any:
    """Bokeh figure of an agreement over the axis; shapes (p,), rising."""
    outer = (found.lower_low, found.upper_high)
    lines = (found.bias_low, found.bias_high, found.lower, found.upper, *outer)
    held = np.concatenate([line[np.isfinite(line)] for line in lines])
    low, high = (float(held.min()), float(held.max())) if held.size else (-1.0, 1.0)
    low, high = min(low, 0.0), max(high, 0.0)
    margin = 0.08 * ((high - low) or 1.0)
    span = (float(positions[0]), float(positions[-1]), low - margin, high + margin)
    drawn = frame(span, units, "difference in ")
    known = np.isfinite(found.bias_low)
    drawn.varea(
        positions[known], found.bias_low[known], found.bias_high[known], fill_color=BIAS,
        fill_alpha=0.18, name="confidence of the bias",
    )  # fmt: skip
    for line in (found.lower, found.upper):
        drawn.line(
            positions, line, line_color=LIMITS, line_dash="dashed", name="limit of agreement"
        )
    for line in outer:
        drawn.line(
            positions, line, line_color=LIMITS, line_dash="dotted", name="confidence of a limit"
        )
    drawn.line(positions, found.bias, line_color=BIAS, line_width=1.8, name="bias")
    drawn.line(span[:2], [0.0, 0.0], line_color=theme.INK, line_width=0.8, name="no difference")
    return drawn
