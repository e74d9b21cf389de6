"""Which specifications a part is judged against."""

from collections.abc import Iterable
from datetime import date

from speclake.specs.model import Specification
from speclake.specs.requirements import same_text


def choose(
    specifications: Iterable[Specification],
    *,
    order_number: str | None = None,
    customer: str | None = None,
    product: str | None = None,
    on: date | None = None,
) -> list[Specification]:
    """Specifications that apply to a part, by name.

    A specification applies where each list that it has (orders, customers, products) holds the
    part's own; one without any list applies only where a person names it. Among the customers'
    specifications those that name the order go before those that name the customer, and these
    before those that name the product alone: only the closest apply. In-house specifications are
    chosen in the same way among themselves and apply beside them.

    Parameters
    ----------
    order_number, customer, product : what is known of the part; None fits no list.
    on : day for which the specifications must be in effect; None asks for any.
    """
    fitting = [
        (closeness, each)
        for each in specifications
        if (closeness := _closeness(each, order_number, customer, product)) is not None
        and in_effect(each, on)
    ]
    chosen = []
    for owner in ("customer", "in-house"):
        own = [(closeness, each) for closeness, each in fitting if each.owner == owner]
        closest = max((closeness for closeness, _ in own), default=0)
        chosen += [each for closeness, each in own if closeness == closest]
    return sorted(chosen, key=lambda each: (each.owner, each.name, each.revision, each.version))


def _closeness(
    each: Specification, order_number: str | None, customer: str | None, product: str | None
) -> int | None:
    """3 for the order, 2 for the customer, 1 for the product; None where it does not apply."""
    closeness = None
    lists = (
        (each.products, product, 1),
        (each.customers, customer, 2),
        (each.orders, order_number, 3),
    )
    for listed, known, rank in lists:
        if not listed:
            continue
        if known is None or same_text(known) not in {same_text(entry) for entry in listed}:
            return None
        closeness = rank
    return closeness


def in_effect(each: Specification, on: date | None) -> bool:
    """Whether a specification holds on a day; on any, where none is given."""
    if on is None:
        return True
    begun = each.effective_from is None or each.effective_from <= on
    return begun and (each.effective_until is None or on <= each.effective_until)
