"""The part of a page's address behind the question mark: read with suspicion, written in full."""

from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from urllib.parse import urlencode

from speclake.errors import SpeclakeError

LONGEST = 400
"""Characters that one entry of an address may have; identifiers are counted apart."""
MOST_IDS = 2000
"""Measurements that an address may list one by one; a query can name any number."""


class BadAddress(SpeclakeError, ValueError):
    """An address that no page can answer."""


class Address:
    """What a visitor asks of a page.

    Parameters
    ----------
    entries : every entry with all its values, in the order of the address.
    is_local : whether the pages are served to this machine alone.
    """

    def __init__(self, entries: Mapping[str, Sequence[str]], *, is_local: bool = False) -> None:
        self.is_local = is_local
        self._entries = {name: tuple(v.strip() for v in values) for name, values in entries.items()}

    @classmethod
    def from_request(
        cls, arguments: Mapping[str, Sequence[bytes]], *, is_local: bool = False
    ) -> "Address":
        """Address from the raw arguments of a request.

        Raises
        ------
        BadAddress
            An entry is not text.
        """
        try:
            entries = {name: [v.decode() for v in values] for name, values in arguments.items()}
        except UnicodeDecodeError as error:
            raise BadAddress("The address holds bytes that are no UTF-8 text.") from error
        return cls(entries, is_local=is_local)

    def __contains__(self, name: str) -> bool:
        return any(self._entries.get(name, ()))

    def only(self, known: Collection[str]) -> None:
        """Nothing, where every entry has one of the known names.

        Raises
        ------
        BadAddress
            An entry has another name: to pass over it would answer another question.
        """
        for name in self._entries:
            if name not in known:
                raise BadAddress(
                    f"The address asks for {name!r}, which this page does not know. "
                    f"It knows {', '.join(sorted(known))}."
                )

    def text(self, name: str) -> str | None:
        """Value of an entry, None where it is absent or empty.

        Raises
        ------
        BadAddress
            It is given more than once or is too long to be meant.
        """
        values = [value for value in self._entries.get(name, ()) if value]
        if len(values) > 1:
            raise BadAddress(f"The address gives {name!r} {len(values)} times; expected once.")
        if values and len(values[0]) > LONGEST:
            raise BadAddress(
                f"{name!r} in the address has {len(values[0])} characters; at most {LONGEST}."
            )
        return values[0] if values else None

    def needed(self, name: str) -> str:
        """Value of an entry that the page cannot do without.

        Raises
        ------
        BadAddress
            It is absent.
        """
        value = self.text(name)
        if value is None:
            raise BadAddress(f"The address lacks {name!r}.")
        return value

    def choice(self, name: str, allowed: Sequence[str], default: str) -> str:
        """One of some words, `default` where the entry is absent.

        Raises
        ------
        BadAddress
            It is another word.
        """
        value = self.text(name) or default
        if value not in allowed:
            raise BadAddress(f"{name} is {value!r} in the address; allowed is {_listed(allowed)}.")
        return value

    def whole(self, name: str, default: int, lowest: int, highest: int) -> int:
        """Whole number within limits, `default` where the entry is absent.

        Raises
        ------
        BadAddress
            It is no such number.
        """
        value = self.text(name)
        if value is None:
            return default
        if value.isascii() and value.isdigit() and lowest <= int(value) <= highest:
            return int(value)
        raise BadAddress(
            f"{name} is {value!r} in the address; expected a whole number "
            f"from {lowest} to {highest}."
        )

    def flag(self, name: str) -> bool | None:
        """True or False for ``yes`` or ``no``, None where the entry is absent.

        Raises
        ------
        BadAddress
            It is another word.
        """
        if name not in self:
            return None
        return self.choice(name, ("yes", "no"), "no") == "yes"

    def moment(
        self, name: str, zone: tzinfo | None, *, end_of_day: bool = False
    ) -> datetime | None:
        """Moment in UTC from a date or a date with time of the archive's zone.

        Parameters
        ----------
        zone : that of the archive; None means UTC.
        end_of_day : a bare date means the midnight at its end instead of that at its start.

        Raises
        ------
        BadAddress
            It is no date of ISO 8601.
        """
        value = self.text(name)
        if value is None:
            return None
        try:
            found = datetime.fromisoformat(value)
        except ValueError as error:
            raise BadAddress(
                f"{name} is {value!r} in the address; expected a date such as 2026-11-25."
            ) from error
        try:
            if end_of_day and len(value) <= len("2026-11-25"):
                found += timedelta(days=1)
            if found.tzinfo is None:
                found = found.replace(tzinfo=zone or UTC)
            return found.astimezone(UTC)
        except OverflowError as error:
            raise BadAddress(
                f"{name} is {value!r} in the address: out of every calendar."
            ) from error

    def ids(self, name: str = "ids") -> tuple[str, ...]:
        """Identifiers of an entry that may stand several times and may list several, each once.

        Raises
        ------
        BadAddress
            There are more than `MOST_IDS`, or one cannot be an identifier.
        """
        listed = [part.strip() for v in self._entries.get(name, ()) for part in v.split(",")]
        found = tuple(dict.fromkeys(part for part in listed if part))
        if len(found) > MOST_IDS:
            raise BadAddress(
                f"The address lists {len(found)} measurements; at most {MOST_IDS}. "
                "Name them by a query instead, such as a lot or a span of dates."
            )
        for each in found:
            if len(each) > 64 or not each.isascii() or not each.isalnum():
                raise BadAddress(f"{each[:80]!r} is no identifier of a measurement.")
        return found

    def entries(self, names: Collection[str]) -> dict[str, str]:
        """Given entries among some names, as text, for a link that keeps them."""
        found = {name: self.text(name) for name in self._entries if name in names}
        return {name: value for name, value in found.items() if value is not None}


def link(page: str, entries: Mapping[str, object] | None = None) -> str:
    """Relative address of a page with its entries, those without a value left out."""
    given = {
        name: ",".join(map(str, value)) if isinstance(value, tuple) else str(value)
        for name, value in (entries or {}).items()
        if value not in (None, "", ())
    }
    return f"{page}?{urlencode(given, safe=',')}" if given else page


def _listed(words: Sequence[str]) -> str:
    return " or ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else words[0]
