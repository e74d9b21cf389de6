"""Commands that compare instruments and correct spectra: beside what was measured, never in it."""

from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from speclake.cli.finding import query_of
from speclake.cli.output import (
    HERE,
    ArchiveOption,
    JsonOption,
    WhoOption,
    WhyOption,
    opened,
    print_json,
    print_rows,
)

COLUMNS = ("nm", "pairs", "bias", "bias_low", "bias_high", "lower", "upper")
OF_SEVERAL = ("nm", "mean", "repeatability_sd", "reproducibility_sd")


def add_to(app: typer.Typer) -> None:
    """Declare the commands."""
    app.command("compare-instruments")(compare_instruments)
    app.command()(correct)


def compare_instruments(
    instruments: Annotated[list[str], typer.Argument(help="Two instruments, or more.")],
    archive: ArchiveOption = HERE,
    product: Annotated[str | None, typer.Option(help="Only pieces of this product.")] = None,
    sample: Annotated[str | None, typer.Option(help="Only this sample, * for any text.")] = None,
    serial: Annotated[str | None, typer.Option(help="Only this serial.")] = None,
    quantity: Annotated[str | None, typer.Option(help="As transmittance or reflectance.")] = None,
    every: Annotated[int, typer.Option(min=1, help="Print every so many points.")] = 25,
    as_json: JsonOption = False,
) -> None:
    """Compare instruments on the pieces that they have all measured.

    Of two it tells the mean difference with its confidence interval and the limits of agreement; of
    more, on one piece measured several times, repeatability and reproducibility.

    Example: speclake compare-instruments "bench A" "bench B" --product window-7 --archive lab
    """
    query = query_of(product=product, sample=sample, serial=serial, quantity=quantity)
    with opened(archive) as lake:
        if len(instruments) == 2:
            found: Any = lake.compare_instruments(*instruments, **query)
            columns: tuple[str, ...] = COLUMNS
            numbers = found.agreement
        else:
            found = lake.round_robin(instruments, **query)
            columns, numbers = OF_SEVERAL, found.precision
    rows = _rows(found.axis.values, numbers, columns)
    if as_json:
        print_json({"sentence": found.sentence, "how": found.how, "unit": found.unit, "rows": rows})
        return
    typer.echo(f"{found.sentence}\n{found.how}; {found.unit}")
    print_rows(rows[::every], columns)


def _rows(nm: Any, numbers: Any, columns: tuple[str, ...]) -> list[dict[str, Any]]:
    arrays = [nm.tolist(), *(getattr(numbers, name).tolist() for name in columns[1:])]
    plain = ([None if each != each else each for each in array] for array in arrays)
    return [dict(zip(columns, row, strict=True)) for row in zip(*plain, strict=True)]


def correct(
    ids: Annotated[list[str], typer.Argument(help="Identifiers, as `speclake find` prints them.")],
    who: WhoOption,
    why: WhyOption,
    standard: Annotated[
        str | None, typer.Option(help="Multiply a raw ratio by the certificate of this reference.")
    ] = None,
    level_at_nm: Annotated[
        float | None, typer.Option(help="Make the two sides of this wavelength meet.")
    ] = None,
    keep: Annotated[
        Literal["shorter", "longer"], typer.Option(help="Side of it that stays as it is.")
    ] = "shorter",
    by: Annotated[
        Literal["offset", "factor"], typer.Option(help="How the other side is moved.")
    ] = "offset",
    to: Annotated[Path | None, typer.Option(help="Write them here too, as .csv.")] = None,
    archive: ArchiveOption = HERE,
    as_json: JsonOption = False,
) -> None:
    """Make a corrected spectrum beside what was measured; it is marked, and never judged.

    Example: speclake correct 3f2a91 --standard "mirror 7" --who "op 2" --why "absolute values"
    """
    from speclake.api.correcting import write_corrected

    with opened(archive) as lake:
        made = lake.correct(
            lake.whole_ids(ids),
            standard=standard,
            level_at_nm=level_at_nm,
            keep=keep,
            by=by,
            who=who,
            why=why,
        )
        if to is not None:
            write_corrected(lake.store, made, to)
    if as_json:
        print_json([{"measurement_id": c.measurement_id, "derived_id": c.derived_id,
                     "mark": c.mark, **c.parameters} for c in made])  # fmt: skip
        return
    for each in made:
        typer.echo(f"{each.measurement_id} -> {each.derived_id}: {each.mark}")
