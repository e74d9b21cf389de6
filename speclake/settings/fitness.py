"""How the fitness of spectra is checked: the table ``[fitness]`` of the settings.

Each threshold has a basis: the detectors of noise share a budget of false alarms; the others are
common practice unless something else is said.
"""

from typing import Annotated

from pydantic import Field

from speclake.checks import Check
from speclake.settings.table import Table

Above = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotBelow = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Stretch = tuple[float, float]


class Fitness(Table):
    """What the checks of every spectrum go by; wavelengths in nm, percent of full scale."""

    without: tuple[Check, ...] = ()
    """Checks that are left out."""

    false_alarms_a_day: Above = 1.0
    """That one instrument may raise in all checks together, with nothing wrong."""
    scans_a_day: Annotated[int, Field(ge=1)] = 300

    # soundness
    scale_uncertainty_percent: NotBelow = 0.5
    """Full uncertainty (k = 2) of the photometric scale."""

    # change-overs
    changeover_window_nm: Above = 20.0
    """How far to both sides of a change-over level and slope are taken; half, twice and four
    times as far are tried too, and at least 20 points."""
    changeover_step_percent: NotBelow = 0.1
    """Step at a change-over up to which it is only remarked, in percent of full scale."""
    common_changeovers_nm: tuple[float, ...] = (319.0, 350.0, 860.0)
    """Where lamps and detectors usually change if nobody says; common practice."""

    # noise
    noise_times_usual: Above = 3.0
    scans_for_usual_noise: Annotated[int, Field(ge=3)] = 10

    # purge
    purge_below_nm: Above = 200.0
    purge_min: NotBelow = 10.0
    """Minutes of purging that are enough, where the header tells them."""
    oxygen_ppm: NotBelow = 50.0
    """Oxygen in the purged beam that is still good, where a sensor tells it."""

    # baseline and reference
    baseline_hours: Above = 24.0
    """Age of a baseline beyond which it is in doubt."""
    baseline_needed: bool = False
    """Whether each scan should tell its baseline: if none is known, that is remarked."""
    line_flatness_percent: NotBelow = 0.3
    """How far a 100 % or 0 % line may lie off."""
