"""A lot from its parts: all of them, or a sample by a plan."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from speclake.judging.rollup.parts import PartVerdict
from speclake.judging.sampling import acceptance_probability
from speclake.specs.sampling import Lot, Plan
from speclake.specs.verdicts import Outcome, worst


class LotPart(NamedTuple):
    """A part of a lot, by name, and what the specification says of it."""

    name: str
    verdict: PartVerdict


@dataclass(frozen=True)
class LotVerdict:
    """What a specification says of a lot.

    Parameters
    ----------
    outcome : None where there are no parts.
    parts : how many parts have which outcome; the whole lot, whatever the sample.
    missing : what keeps the lot from being judged, in words.
    reasons : how the outcome came about, in words.
    plan : the sampling plan; None where every part counts.
    sample : names of the parts that are the sample.
    beyond : names of the parts that were judged and are none of the sample.
    """

    outcome: Outcome | None
    parts: Mapping[Outcome, int]
    missing: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()
    plan: Plan | None = None
    sample: tuple[str, ...] = ()
    beyond: tuple[str, ...] = ()


EVERY_PART = Lot()


def lot_outcome(
    parts: Sequence[LotPart], lot: Lot = EVERY_PART, size: int | None = None
) -> LotVerdict:
    """Outcome of a lot from its parts, by what the specification says of lots.

    Where every part counts the lot has the worst outcome of its parts. By a sampling plan the
    sample is the parts that were measured first, as many as the plan asks for, whatever became of
    them; a part that fails makes one too many, or does not. The lot is open while parts of the
    sample are open that could make it fail, and incomplete while the sample is.

    Parameters
    ----------
    parts : in the order in which each was first measured.
    size : of this lot, as the record has it; it goes before what the specification says.
    """
    counts = dict(Counter(each.verdict.outcome for each in parts))
    if not parts:
        return LotVerdict(None, counts)
    size = size or lot.size
    if not lot.is_sampled:
        return _of_all(parts, counts, size)
    plan = lot.plan(size)
    if plan is None:
        lacks = "the size of the lot, by which the plan is chosen"
        return LotVerdict(Outcome.INCOMPLETE, counts, (lacks,), (f"missing: {lacks}",))
    return _of_sample(parts, counts, plan, lot)


def _of_all(
    parts: Sequence[LotPart], counts: Mapping[Outcome, int], size: int | None
) -> LotVerdict:
    missing = []
    if size is not None and len(parts) < size:
        missing.append(f"{size - len(parts)} of {size} parts of the lot")
    outcome = worst([*counts, Outcome.INCOMPLETE] if missing else counts)
    return LotVerdict(
        outcome, counts, tuple(missing), tuple(f"missing: {each}" for each in missing),
        sample=tuple(each.name for each in parts),
    )  # fmt: skip


def _of_sample(
    parts: Sequence[LotPart], counts: Mapping[Outcome, int], plan: Plan, lot: Lot
) -> LotVerdict:
    sample, beyond = parts[: plan.sample_size], parts[plan.sample_size :]
    found = Counter(each.verdict.outcome for each in sample)
    failed = found[Outcome.FAIL]
    lacking = plan.sample_size - len(sample) + found[Outcome.INCOMPLETE]
    unsettled = [each for each in (Outcome.NOT_MEASURABLE, Outcome.UNDECIDED) if found[each]]
    missing = []
    if lacking:
        missing.append(f"{lacking} of {plan.sample_size} parts of the sample")
    if failed > plan.accept:
        outcome = Outcome.FAIL
    elif failed + sum(found[each] for each in unsettled) > plan.accept:
        outcome = unsettled[0]
    else:
        outcome = Outcome.INCOMPLETE if missing else Outcome.PASS
    reasons = [f"missing: {each}" for each in missing]
    reasons.append(
        f"{failed} of the sample of {plan.sample_size} fail, and up to {plan.accept} may "
        f"({plan.source})"
    )
    if unsettled:
        said = ", ".join(f"{found[each]} {each}" for each in unsettled)
        reasons.append(f"of the sample are open: {said}")
    if lot.aql_percent is not None:
        accepted = acceptance_probability(plan, float(lot.aql_percent) / 100)
        reasons.append(
            f"a lot with {lot.aql_percent} % of its parts not conforming is accepted by this plan "
            f"with a probability of {100 * accepted:.0f} %"
        )
    if bad := [each.name for each in beyond if each.verdict.outcome is Outcome.FAIL]:
        reasons.append(f"not of the sample, and fail: {', '.join(bad)}")
    return LotVerdict(
        outcome, counts, tuple(missing), tuple(reasons), plan,
        tuple(each.name for each in sample), tuple(each.name for each in beyond),
    )  # fmt: skip
