"""Limits as a person writes them, and the rule by which a value near them decides.

References
----------
JCGM 106:2012, Evaluation of measurement data - The role of measurement uncertainty in conformity
assessment, clause 8: simple acceptance, guarded acceptance, guarded rejection.
ILAC-G8:09/2019, Guidelines on decision rules and statements of conformity, 4.2: binary and
non-binary statements.
ISO 14253-1:2017: who has to prove conformity or non-conformity. Clause numbers from memory.
"""

from collections.abc import Mapping
from decimal import Decimal, localcontext
from typing import Annotated, Literal, NamedTuple, Self, TypeVar

from pydantic import BeforeValidator, Field, model_validator

from speclake.specs.requirements.table import Position, Table
from speclake.specs.rounding import Decision, last_place, limit_text, shown
from speclake.spectrum import FloatArray

LimitText = Annotated[str, BeforeValidator(limit_text)]
Rule = Literal["simple acceptance", "guarded acceptance", "guarded rejection", "non-binary"]
Proof = Literal["supplier proves conformity", "customer proves non-conformity"]
Expansion = Literal["u", "U"]

NumberT = TypeVar("NumberT", float, FloatArray)

RULE_OF_PROOF: Mapping[Proof, Rule] = {
    "supplier proves conformity": "guarded acceptance",
    "customer proves non-conformity": "guarded rejection",
}
"""By which rule that side decides which bears the proof (ISO 14253-1)."""


class Guard(NamedTuple):
    """Guard band as a multiple of the standard (u) or the expanded (U) uncertainty."""

    times: float
    of: Expansion

    def width(self, expanded: NumberT, coverage_factor: NumberT) -> NumberT:
        """Width of the band for an expanded uncertainty, a number or an array of them."""
        return self.times * (expanded if self.of == "U" else expanded / coverage_factor)

    def __str__(self) -> str:
        return self.of if self.times == 1 else f"{self.times:g} {self.of}"


def _both_ways(written: object) -> object:
    """A tolerance as two entries, downwards and upwards; one number goes both ways."""
    return tuple(written) if isinstance(written, list | tuple) else (written, written)


class Limited(Table):
    """What a requirement says of its number: the limits, and when a value meets them."""

    at_least: LimitText | None = None
    at_most: LimitText | None = None
    target: LimitText | None = None
    tolerance: Annotated[tuple[LimitText, LimitText], BeforeValidator(_both_ways)] | None = None
    decision: Decision = "absolute"
    rule: Rule | None = None
    proof: Proof | None = None
    guard_times: Position | None = None
    guard_of: Expansion | None = None
    largest_uncertainty: Position | None = None
    largest_risk: Annotated[float, Field(gt=0, le=0.5)] | None = None

    @model_validator(mode="after")
    def _decides(self) -> Self:
        self._check_target()
        self._check_limits()
        self._check_rule()
        self._check_guard()
        return self

    def is_uncertain(self) -> bool:
        """Whether an uncertainty of the number is stated."""
        raise NotImplementedError

    @property
    def lower_limit(self) -> str | None:
        """Lower limit with its digits; None if there is none."""
        return self.at_least if self.target is None else self._from_target()[0]

    @property
    def upper_limit(self) -> str | None:
        """Upper limit with its digits; None if there is none."""
        return self.at_most if self.target is None else self._from_target()[1]

    @property
    def limits(self) -> tuple[str, ...]:
        """Limits with their digits, the lower one first."""
        return tuple(each for each in (self.lower_limit, self.upper_limit) if each is not None)

    @property
    def decides_by(self) -> Rule:
        """The rule by which a value near a limit decides."""
        if self.rule is not None:
            return self.rule
        if self.proof is not None:
            return RULE_OF_PROOF[self.proof]
        return "non-binary" if self.is_uncertain() else "simple acceptance"

    @property
    def guard(self) -> Guard | None:
        """How far from a limit no value decides, or the limit is moved; None where it is not."""
        if self.decides_by == "simple acceptance":
            return None
        if self.guard_times is None or self.guard_of is None:
            return Guard(1.0, "U")
        return Guard(self.guard_times, self.guard_of)

    def shown(self, value: float, guard: float | None = None) -> str:
        """Value of this requirement as it is printed; never at odds with its verdict."""
        return shown(value, self.limits, self.decision, guard)

    def _from_target(self) -> tuple[str, str]:
        """Limits as target and tolerance make them, both with the finest last digit of these."""
        assert self.target is not None and self.tolerance is not None
        down, up = self.tolerance
        unit = Decimal((0, (1,), min(map(last_place, (self.target, down, up)))))
        with localcontext(prec=250):
            target = Decimal(self.target)
            low = (target - Decimal(down)).quantize(unit)
            return str(low), str((target + Decimal(up)).quantize(unit))

    def _check_target(self) -> None:
        if (self.target is None) != (self.tolerance is None):
            raise ValueError("target and tolerance together")
        if self.target is None or self.tolerance is None:
            return
        if self.at_least is not None or self.at_most is not None:
            raise ValueError("target and tolerance, or at_least and at_most")
        if min(map(Decimal, self.tolerance)) < 0 or not any(map(Decimal, self.tolerance)):
            raise ValueError("tolerance = a number above 0, or [down, up], both without a sign")
        for limit in self._from_target():
            limit_text(limit)

    def _check_limits(self) -> None:
        if not self.limits:
            raise ValueError("at_least, at_most or both, or target with tolerance")
        if len(self.limits) == 2 and Decimal(self.limits[0]) > Decimal(self.limits[1]):
            raise ValueError("an at_least that is not above at_most")
        if self.decision == "rounded" and len({last_place(limit) for limit in self.limits}) > 1:
            raise ValueError(
                'at_least and at_most with the same last digit if decision = "rounded"'
            )

    def _check_rule(self) -> None:
        rule = self.decides_by
        if self.proof is not None and rule != RULE_OF_PROOF[self.proof]:
            raise ValueError(
                f'rule = "{RULE_OF_PROOF[self.proof]}" where proof = "{self.proof}", or no rule'
            )
        if self.is_uncertain():
            return
        if rule != "simple acceptance":
            raise ValueError(f'uncertainty with rule = "{rule}"')
        for key in ("largest_uncertainty", "largest_risk"):
            if getattr(self, key) is not None:
                raise ValueError(f"uncertainty with {key}")

    def _check_guard(self) -> None:
        rule = self.decides_by
        if (self.guard_times is None) != (self.guard_of is None):
            raise ValueError('guard_times = a number and guard_of = "u" or "U" together')
        if rule == "simple acceptance" and self.guard_times is not None:
            raise ValueError(f'no guard_times with rule = "{rule}"')
        if not rule.startswith("guarded"):
            return
        if self.guard_times is None:
            raise ValueError(f'guard_times and guard_of = "u" or "U" with rule = "{rule}"')
        if self.decision == "rounded":
            raise ValueError(f'decision = "absolute" with rule = "{rule}"')
        if self.largest_risk is not None:
            raise ValueError(f'no largest_risk with rule = "{rule}", whose guard band caps it')

    def _limits_in_words(self, unit: str) -> str:
        """The limits as written, as a phrase."""
        if self.target is not None and self.tolerance is not None:
            down, up = self.tolerance
            within = f"± {up} {unit}" if down == up else f"- {down} {unit} / + {up} {unit}"
            said = f"{self.target} {unit} {within}"
        elif self.at_least is not None and self.at_most is not None:
            said = f"between {self.at_least} {unit} and {self.at_most} {unit}"
        elif self.at_least is not None:
            said = f"at least {self.at_least} {unit}"
        else:
            said = f"at most {self.at_most} {unit}"
        return said + (
            " (rounded to the last digit of the limit)" if self.decision == "rounded" else ""
        )

    def _rule_in_words(self, unit: str) -> list[str]:
        """How a value near a limit decides, as phrases; none where the value alone does."""
        words = []
        rule, guard = self.decides_by, self.guard
        if self.is_uncertain() and (guard is None or rule != "non-binary"):
            words.append(f"{rule}" if guard is None else f"{rule} with a guard band of {guard}")
        elif guard is not None and guard != (1.0, "U"):
            words.append(f"undecided within {guard} of the limit")
        if self.proof is not None:
            words.append(self.proof)
        if self.largest_uncertainty is not None:
            words.append(f"expanded uncertainty at most {self.largest_uncertainty:g} {unit}")
        if self.largest_risk is not None:
            words.append(f"risk of a wrong outcome at most {100 * self.largest_risk:g} %")
        return words
