"""``anodewane doctor``: what a fault report needs, and what is wrong with the installation."""

from __future__ import annotations

import click

from anodewane.errors import ExitCode


@click.command(short_help="Check the installation.")
@click.pass_context
def doctor(ctx: click.Context) -> None:
    """Check the installation: versions, the model file, and OpenCV's two wheels that overwrite each other."""
    import platform

    from anodewane.errors import ModelError
    from anodewane.judgement.provenance import library_versions
    from anodewane.version import own_version

    click.echo(
        f"anodewane {own_version()}, Python {platform.python_version()}, {platform.system()} "
        f"{platform.machine()}"
    )
    for name, version in library_versions():
        click.echo(f"{name} {version}")
    trouble = [t for t in (_opencv_trouble(),) if t]
    code = ExitCode.UNEXPECTED if trouble else ExitCode.JUDGED
    try:
        click.echo(f"model segmenter.onnx, SHA-256 {_model_sha256()}, verified")
    except ModelError as e:
        trouble.append(str(e))
        code = ExitCode.MODEL
    for t in trouble:
        click.echo(f"TROUBLE: {t}")
    if not trouble:
        click.echo("Nothing is wrong.")
    ctx.exit(int(code))


def _opencv_trouble() -> str | None:
    """One sentence when OpenCV is missing, hollow or there twice."""
    from importlib.metadata import PackageNotFoundError, version

    wheels = []
    for name in (
        "opencv-python",
        "opencv-python-headless",
        "opencv-contrib-python",
        "opencv-contrib-python-headless",
    ):
        try:
            wheels.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            continue
    repair = "Repair: pip uninstall every opencv wheel, then pip install --force-reinstall opencv-python."
    try:
        import cv2
    except ImportError as e:
        return f"OpenCV can't be loaded: {e}. On bare Debian: apt-get install libgl1 libglib2.0-0."
    if not getattr(cv2, "__version__", None):
        return f"OpenCV is hollow: another of its wheels was uninstalled over it. {repair}"
    if len(wheels) > 1:
        return f"OpenCV is installed twice ({', '.join(wheels)}); they overwrite each other. {repair}"
    return None


def _model_sha256() -> str:
    import hashlib

    from anodewane.segment.model_file import load_model_bytes

    data, _lock = load_model_bytes()
    return hashlib.sha256(data).hexdigest()
