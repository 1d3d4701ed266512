"""`anodewane camera`: measure a phone's lens from photos of the sheet."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("photos", nargs=-1, required=True, metavar="PHOTO...", type=click.Path(path_type=Path))
@click.option(
    "--out",
    required=True,
    metavar="FILE.toml",
    type=click.Path(path_type=Path),
    help="The lens profile to write.",
)
@click.option(
    "--check-line",
    metavar="MM",
    type=click.FloatRange(50, 150),
    help="What the sheet's 100 mm lines measure, when not 100.",
)
def camera(photos: tuple[Path, ...], out: Path, check_line: float | None) -> None:
    """Measure a phone's lens once, from three or more photos of the sheet, for 'judge --camera FILE.toml'.

    Take five or more with one phone and one lens, the sheet filling most of the frame: straight from
    above, and tilted 20 to 35 degrees from all four sides.
    """
    from anodewane.catalog.lens import lens_profile_to_toml
    from anodewane.files import check_writable, read_bytes, write_atomic
    from anodewane.judgement.lens_fit import measure_lens, take_shot
    from anodewane.settings import Settings
    from anodewane.stages.load import load_photo

    check_writable(out)
    settings = Settings()
    shots = [take_shot(load_photo(read_bytes(path), path.name), settings) for path in photos]
    report = measure_lens(shots, settings, (check_line, check_line) if check_line is not None else None)
    write_atomic(out, lens_profile_to_toml(report.profile).encode())
    p = report.profile
    stated = f"{report.focal_35mm_stated:.0f} mm stated" if report.focal_35mm_stated else "none stated"
    click.echo(
        f"{p.camera}: focal length {p.focal_35mm:.2f} mm as 35 mm equivalent ({stated}), good to "
        f"{100 * p.focal_sd_frac:.2f} %"
    )
    click.echo(f"lens term k1 {p.k1:+.5f}, good to {p.k1_sd:.5f} ({100 * p.k1:+.2f} % at the corner)")
    for path, before, after, tilt in zip(
        photos, report.before_px, report.after_px, report.tilts_deg, strict=True
    ):
        click.echo(
            f"  {path.name}: tilt {tilt:.0f} degrees, sheet missed by {before:.2f} px with the stated "
            f"lens, {after:.2f} px with the measured one"
        )
    click.echo(f"Wrote {out}.", err=True)


command = camera
