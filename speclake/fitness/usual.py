"""What noise an instrument usually has over a stretch."""

from speclake.fitness.circumstances import Circumstances, UsualNoise
from speclake.fitness.regions import Region
from speclake.fitness.subject import Subject

SAME_REGION = 0.8
"""Share of two stretches that must be common for their noise to be compared."""


def usual_over(known: Circumstances, region: Region, subject: Subject) -> UsualNoise | None:
    """Usual noise of the same stretch and unit, from scans enough."""
    for each in known.usual_noise:
        common = min(each.stop_nm, region.last_nm) - max(each.start_nm, region.first_nm)
        both = max(each.stop_nm, region.last_nm) - min(each.start_nm, region.first_nm)
        enough = each.scans >= subject.limits.scans_for_usual_noise and each.median > 0
        if each.unit == subject.spectra.unit and enough and common >= SAME_REGION * both:
            return each
    return None
