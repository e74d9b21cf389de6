"""How many points the band pass of a scan spans, as far as the header or the settings state it."""

from collections.abc import Sequence

import numpy as np

from speclake.fitness.subject import Subject
from speclake.measurement import Range
from speclake.spectrum import FloatArray


def points_of_bandwidth(subject: Subject, ranges: Sequence[Range]) -> FloatArray:
    """Bandwidth over interval at each point, shape (p,); NaN where nobody stated a bandwidth."""
    nm = subject.nm
    found = np.full(nm.shape, np.nan)
    if nm.size < 2:
        return found
    interval = np.abs(np.gradient(nm))
    for each in ranges:
        if each.bandwidth_nm is not None:
            inside = (nm >= min(each.start, each.stop)) & (nm <= max(each.start, each.stop))
            found[inside] = each.bandwidth_nm / interval[inside]
    return found
