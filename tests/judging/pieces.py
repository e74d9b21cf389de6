"""Parts made of scans at a level, judged, for tests of what becomes of them together."""

from datetime import UTC, datetime, timedelta

import numpy as np

from speclake.judging import Beside, Conditions, PartRecord, judge, part_outcome
from speclake.judging.repeats import Choice
from speclake.measurement import Kind
from speclake.specs import BandRequirement, Needs, Specification
from speclake.spectrum import Axis, SpectrumSet

MEAN = BandRequirement(id="T mean", what="mean", unit="%T", band=(420, 680), at_least="92.0")
NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)


def judged(specification, key, level, known, first=400.0, last=700.0):
    """Verdicts on a scan; a level of None is a scan with a hole."""
    grid = np.arange(first, last + 1)
    values = np.full((1, grid.size), np.nan if level is None else level)
    return judge(SpectrumSet(Axis(grid, "nm", "air"), values, "%T", (key,)), specification, [known])


def part(
    specification,
    *scans,
    choices=None,
    withdrawn=(),
    witnesses=(),
    first=400.0,
    last=700.0,
    random=None,
):
    """Part verdict of scans (level, conditions), named m0, m1 ..., an hour apart.

    Withdrawn scans (level, conditions) are named w0 ..., witness pieces (name, level, conditions)
    p0 ..., and both are later than the scans that count. With `random` verdicts and conditions are
    handed over in another order.
    """
    found, conditions = [], {}
    for number, (level, known, *span) in enumerate(scans):
        key = f"m{number}"
        conditions[key] = known
        found += judged(specification, key, level, known, *(span or (first, last)))
    beside, pieces = {}, {}
    for number, (level, known) in enumerate(withdrawn):
        key = f"w{number}"
        verdicts = tuple(judged(specification, key, level, known))
        beside[key] = Beside(known, verdicts, "withdrawn by op 1: dust")
    for number, (name, level, known) in enumerate(witnesses):
        key = f"p{number}"
        known = known._replace(kind=Kind.WITNESS)
        pieces[key] = Beside(known, tuple(judged(specification, key, level, known)), name)
    order = [*conditions, *beside, *pieces]
    record = PartRecord(
        measured={key: NOON + timedelta(hours=number) for number, key in enumerate(order)},
        quantities=dict.fromkeys(order, "transmittance"),
        choices={
            key: Choice(who, why, NOON + timedelta(days=number))
            for number, (key, who, why) in enumerate(choices or ())
        },
        set_aside=beside,
        witnesses=pieces,
    )
    if random is not None:
        random.shuffle(found)
        conditions = dict(random.sample(sorted(conditions.items()), len(conditions)))
    return part_outcome(found, conditions, specification, record)


def spec(*requirements, repeats=None, witness=None, **needs):
    """Specification of some requirements, of a mean alone where none is given."""
    sections = {
        name: given for name, given in (("repeats", repeats), ("witness", witness)) if given
    }
    return Specification(
        name="s", requirement=requirements or (MEAN,), needs=Needs(**needs), **sections
    )


def over(rule, requirement=MEAN, **changed):
    """Requirement with a rule over sites."""
    said = requirement.model_dump(exclude_defaults=True) | changed
    return type(requirement)(**said, over_sites=rule)


def at(site=None, **known):
    """Conditions at a site."""
    return Conditions(site=site, **known)
