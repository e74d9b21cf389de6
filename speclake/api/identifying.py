"""Measurements by the beginning of their identifier, as lists and pages print it."""

from collections.abc import Iterable, Sequence

from speclake.api.events import NotAllowed
from speclake.archive.catalog import Catalog
from speclake.errors import NotFound

FEWEST = 6
"""Characters that a beginning needs: what is typed shorter than that is more likely a slip."""
TOLD = 5
"""How many identifiers are listed where a beginning fits more than one."""


def whole_ids(catalog: Catalog, given: Iterable[str]) -> list[str]:
    """Identifiers, each once, of measurements named whole or by a beginning that only one has.

    Raises
    ------
    speclake.errors.NotFound
        There is no such measurement, or a beginning is shorter than `FEWEST` characters.
    speclake.api.events.NotAllowed
        More than one measurement begins so; the message lists them.
    """
    asked = list(dict.fromkeys(each.strip() for each in given))
    known = catalog.known_ids(asked)
    short = [each for each in asked if each not in known]
    fitting = catalog.ids_beginning([each for each in short if len(each) >= FEWEST])
    found = [each if each in known else _only(each, fitting.get(each, ())) for each in asked]
    return list(dict.fromkeys(found))


def _only(text: str, fitting: Sequence[str]) -> str:
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        rest = len(fitting) - TOLD
        more = f" and {rest} more" if rest > 0 else ""
        raise NotAllowed(
            f"found {len(fitting)} measurements that begin with {text!r}; expected one of "
            f"{', '.join(fitting[:TOLD])}{more}"
        )
    if len(text) < FEWEST:
        raise NotFound(
            f"found no measurement {text!r}; expected an identifier, or its first {FEWEST} "
            "characters or more"
        )
    raise NotFound(f"found no measurement {text!r}; `speclake find` lists them")
