"""Commands about specifications over time: specs, pack, validate."""

from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING, Annotated, Any

import typer

from speclake.cli.output import (
    HERE,
    ArchiveOption,
    JsonOption,
    OutcomeWord,
    WhoOption,
    WhyOption,
    counted,
    opened,
    print_json,
    print_rows,
)

if TYPE_CHECKING:
    from speclake.api.packs import Listed
    from speclake.api.revisions import Revision
    from speclake.api.validating import Validation
    from speclake.api.whatif import WhatIf

LISTED = ("specification", "revision", "version", "for", "standing", "effective", "approved",
          "measurements")  # fmt: skip
MOST_SHOWN = 50
"""Changed verdicts that are printed one by one; JSON has all."""


def add_to(app: typer.Typer) -> None:
    """Declare the commands."""
    app.command()(specs)
    app.command()(pack)
    app.command()(validate)


def specs(
    name: Annotated[
        str | None, typer.Argument(help="One specification: all its versions, and what changed.")
    ] = None,
    archive: ArchiveOption = HERE,
    before: Annotated[
        str | None, typer.Option(help="Compare this one: a name, a .toml file or a version.")
    ] = None,
    after: Annotated[str | None, typer.Option(help="With this one; as for --before.")] = None,
    as_json: JsonOption = False,
) -> None:
    """List the specifications, the versions of one, or how two differ.

    Example: speclake specs window-7 --archive lab
    """
    from speclake.api.revisions import told_apart

    if (before is None) != (after is None) or (before and name):
        raise typer.BadParameter("give a name, or both --before and --after")
    with opened(archive) as lake:
        if before is not None and after is not None:
            _tell_differences([each.sentence for each in lake.differences(before, after)], as_json)
            return
        found = lake.revisions(name)
    rows = [_row(each) for each in found]
    told = [[each.sentence for each in told_apart(found, n)] for n in range(len(found))]
    if as_json:
        print_json([row | {"changes": changes} for row, changes in zip(rows, told, strict=True)])
        return
    print_rows((row | {"version": row["version"][:8]} for row in rows), LISTED)
    for each, changes in zip(found, told if name else [], strict=False):
        if changes or each.trouble:
            typer.echo(f"version {each.version[:8]} says otherwise than the one before:")
        for sentence in (*changes, *filter(None, [each.trouble])):
            typer.echo(f"  - {sentence}")


def _tell_differences(sentences: list[str], as_json: bool) -> None:
    if as_json:
        print_json(sentences)
        return
    for sentence in sentences:
        typer.echo(sentence)
    if not sentences:
        typer.echo("both say the same")


def _row(each: "Revision") -> dict[str, Any]:
    """What is told of a version, as text."""
    from speclake.api.revisions import approval, ends_in_effect, whom_for

    return {
        "specification": each.name,
        "revision": each.revision,
        "version": each.version,
        "for": whom_for(each),
        "standing": each.standing(datetime.now(UTC).date()),
        "effective": " ".join(ends_in_effect(each)),
        "approved": ", ".join(approval(each)),
        "first_used_at": each.first_used_at,
        "measurements": each.measurements,
    }


def pack(
    name: Annotated[str, typer.Argument(help="Name of the validation pack.")],
    who: WhoOption,
    why: WhyOption,
    archive: ArchiveOption = HERE,
    ids: Annotated[
        list[str] | None, typer.Argument(help="Identifiers; none takes a query.")
    ] = None,
    product: Annotated[str | None, typer.Option(help="Exact, or with * for any text.")] = None,
    lot: Annotated[str | None, typer.Option(help="Exact, or with * for any text.")] = None,
    spec: Annotated[str | None, typer.Option(help="Judged by this specification.")] = None,
    outcome: Annotated[OutcomeWord | None, typer.Option(help="With this outcome.")] = None,
) -> None:
    """Keep measurements with their verdicts, to be judged again after an upgrade.

    Example: speclake pack release-1 --archive lab --lot L7 --who quality --why "validation plan 3"
    """
    given = {"product": product, "lot": lot, "spec": spec, "outcome": outcome}
    query = {key: value for key, value in given.items() if value is not None}
    if not ids and not query:
        raise typer.BadParameter("name measurements, or narrow them by product, lot, spec, outcome")
    with opened(archive) as lake:
        chosen = lake.whole_ids(ids or []) or None
        kept = lake.keep_validation(name, chosen, who=who, why=why, **query)
    details = kept.kept.details
    typer.echo(
        f"kept {counted(int(details['verdicts']), 'verdict')} on "
        f"{counted(int(details['measurements']), 'measurement')} in {details['file']}, "
        f"SHA-256 {kept.sha256}"
    )


def validate(
    name: Annotated[
        str | None, typer.Argument(help="Name of the validation pack; none lists the packs.")
    ] = None,
    archive: ArchiveOption = HERE,
    who: Annotated[str | None, typer.Option(help="Who does this, for the record.")] = None,
    why: Annotated[str | None, typer.Option(help="Why, for the record.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Judge a validation pack again; exit code 1 where anything comes out otherwise.

    Example: speclake validate release-1 --archive lab --who quality --why "upgrade to 0.2"
    """
    with opened(archive) as lake:
        if name is None:
            _tell_packs(lake.validation_packs(), lake.settings.zone, as_json)
            return
        if who is None or why is None:
            raise typer.BadParameter("say --who and --why, for the record")
        found = lake.validate(name, who=who, why=why)
    if as_json:
        print_json(_validation_as_data(found))
    else:
        _print_validation(found)
    if found.changes:
        raise typer.Exit(1)


def _tell_packs(packs: "Sequence[Listed]", zone: tzinfo | None, as_json: bool) -> None:
    rows = [
        {
            "pack": each.name,
            "kept": each.kept.at,
            "by": each.kept.who,
            "verdicts": each.kept.details.get("verdicts"),
            "validated": each.validated.at if each.validated else None,
            "with": each.validated.details["speclake"] if each.validated else None,
            "changes": each.validated.details["changes"] if each.validated else None,
            "trouble": each.trouble,
            "not_judged_with": {name: now for name, _, now in each.other_versions},
        }
        for each in packs
    ]
    if as_json:
        print_json(rows)
    else:
        print_rows(rows, ("pack", "kept", "by", "verdicts", "validated", "with", "changes"), zone)
        for each in packs:
            if each.trouble:
                typer.echo(each.trouble)
            elif each.other_versions:
                changed = ", ".join(f"{name} {now}" for name, _, now in each.other_versions)
                typer.echo(f"{each.name} is due: not judged yet with {changed}")
    if any(each.trouble for each in packs):
        raise typer.Exit(1)


def _validation_as_data(found: "Validation") -> dict[str, Any]:
    return {
        "pack": found.pack.name,
        "sha256": found.pack.sha256,
        "measurements": found.measurements,
        "verdicts": found.verdicts,
        "program": dict(found.program),
        "other_program": [
            {"name": name, "before": before, "after": after}
            for name, before, after in found.other_program
        ],
        "changes": [asdict(each) for each in found.changes],
    }


def _print_validation(found: "Validation") -> None:
    for each in found.changes:
        typer.echo(each.sentence)
    for name, before, after in found.other_program:
        typer.echo(f"{name} was {before} when the pack was kept and is {after}")
    versions = ", ".join(f"{name} {version}" for name, version in found.program.items())
    typer.echo(f"judged with {versions}")
    outcome = counted(len(found.changes), "change") if found.changes else "nothing has changed"
    typer.echo(
        f"{outcome} in {counted(found.verdicts, 'verdict')} on "
        f"{counted(found.measurements, 'measurement')} of {found.pack.name!r}"
    )


def tell_what_if(found: "WhatIf", as_json: bool) -> None:
    """Print what a specification would change; exit code 1 where it would change an outcome."""
    if as_json:
        print_json(_what_if_as_data(found))
    else:
        _print_what_if(found)
    if found.changes.height:
        raise typer.Exit(1)


def _print_what_if(found: "WhatIf") -> None:
    spec = found.specification
    typer.echo(
        f"{found.measurements} measurements, judged as they stand at commit {found.commit} by "
        f"{spec.name!r}, version {spec.version[:8]}; nothing was written"
    )
    print_rows(
        (
            {"requirement": name, "now": before, "then": after, "verdicts": count}
            for name, counts in found.outcomes.items()
            for (before, after), count in counts.items()
        ),
        ("requirement", "now", "then", "verdicts"),
    )
    for name, count in found.moved.items():
        if count:
            typer.echo(f"{name}: {count} verdicts keep their outcome with another value")
    for sentence in found.of_parts:
        typer.echo(f"of parts and lots, which are not judged here, it says otherwise: {sentence}")
    if not found.changes.height:
        typer.echo("no outcome would change")
        return
    typer.echo(f"outcomes would change for {found.changed_measurements} measurements:")
    columns = ("measurement_id", "lot", "sample", "site", "requirement", "before", "after",
               "shown_after", "unit", "reason")  # fmt: skip
    print_rows(found.changes.head(MOST_SHOWN).to_dicts(), columns)
    if found.changes.height > MOST_SHOWN:
        typer.echo(f"{MOST_SHOWN} of {found.changes.height} shown; --json tells all")


def _what_if_as_data(found: "WhatIf") -> dict[str, Any]:
    return {
        "specification": found.specification.name,
        "version": found.specification.version,
        "commit": found.commit,
        "head": found.head,
        "measurements": found.measurements,
        "outcomes": [
            {"requirement": name, "before": before, "after": after, "verdicts": count}
            for name, counts in found.outcomes.items()
            for (before, after), count in counts.items()
        ],
        "moved": dict(found.moved),
        "compared_with": dict(found.compared_with),
        "changes": found.changes.to_dicts(),
        "of_parts": list(found.of_parts),
    }
