"""What an event of assignment keeps of the fields that it changes."""

from collections.abc import Collection

from speclake.archive.rows import PART_IS_TOLD_BY, PLACE_IS_TOLD_BY, before
from speclake.measurement import Measurement


def kept_before(m: Measurement, assigned: Collection[str]) -> dict[str, str]:
    """Details that tell which part, and where on it, a measurement was of before an assignment.

    An empty text stands for what was unknown. All fields that tell the part are kept as soon as
    one of them is assigned: one alone would not tell which part the measurement was taken from.
    """
    names = [name for name in PLACE_IS_TOLD_BY if name in assigned]
    if not set(PART_IS_TOLD_BY).isdisjoint(assigned):
        names = [*PART_IS_TOLD_BY, *names]
    values = {name: getattr(m, name) for name in names}
    return {before(name): "" if value is None else str(value) for name, value in values.items()}
