"""Says from a phone photo how much of a sacrificial anode is gone, how sure that is, and whether to replace it.

The map. A file imports only from rows above it (``tests/test_import_law.py`` holds it to that); heavy imports stay inside functions, so that ``anodewane --help`` is
instant. To read the code, begin with ``pipeline.py``: it is the judgement, stage by stage.

errors.py, version.py, units.py
    Exit codes and errors, each with a message and a remedy; the version; the three frames, the pixel-centre rule and the unit suffixes.
metals.py
    Densities and charge capacities.
records.py
    Every record that passes between stages, frozen and checked at birth, and the record that comes out.
settings.py, refusals.py
    Every knob with unit and source; every refusal and finding with its sentence and remedy.
geometry.py, solids.py, limb.py, halving.py
    Cameras, homographies and polygons; volumes of worn plates and rods; at which height a camera sees a worn edge; a photo at half its size.
catalog/
    Sheet layouts and part templates as data, with their loaders and makers.
classical.py
    Metal told from the rest by statistics of light, colour and texture, and how far that is to be believed.
weights.py, provenance.py, trace.py, files.py
    The model file, found and checked; what made a record; where stages' pictures go; files read and written whole or not at all.
stages/
    load, card, plane, label, flatten, segment, refine, fouling, align, wear, decide: one stage, one file, in this order. Records in, records out.
lens_fit.py
    A phone's lens from photos of the sheet.
handed.py
    Outlines that a person hands in instead of the segmenter's.
pipeline.py
    ``judge(bytes, name, template, settings) -> Verdict``: the stages in order.
views/
    Several photos of one part, fitted together.
record_json.py, words.py, draw.py, draw_together.py
    The record as JSON and its schema; in a few lines for people; as a picture.
book/
    The season's book: boats, positions, haul-outs and judgements in one SQLite file; rates, forecasts, warnings, orders.
batch/
    A folder of photos: planned, judged in parallel, resumed, summed up; on object storage and on a cluster too.
report/
    Records as PDF and HTML; the evidence bag.
web/
    The page in the yard: photos from phones into the book, corrected by a finger.
testing/
    A small renderer with exact truth, and doubles that inject faults.
cli/
    One file a command: options and printing.

Public names are loaded when they are first used::

    from pathlib import Path
    import anodewane

    template = anodewane.load_template("plate-150x75x20-2slots")
    verdict = anodewane.judge(Path("photo.jpg").read_bytes(), "photo.jpg", template, anodewane.Settings())
    print(anodewane.verdict_to_json(verdict))
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from anodewane.batch.folder import judge_folder as judge_folder
    from anodewane.book.store import new_book as new_book
    from anodewane.book.store import open_book as open_book
    from anodewane.catalog.templates import load_template as load_template
    from anodewane.draw import overlay as overlay
    from anodewane.errors import AnodewaneError as AnodewaneError
    from anodewane.errors import ExitCode as ExitCode
    from anodewane.pipeline import judge as judge
    from anodewane.record_json import record_schema as record_schema
    from anodewane.record_json import verdict_from_json as verdict_from_json
    from anodewane.record_json import verdict_to_json as verdict_to_json
    from anodewane.records import Template as Template
    from anodewane.records import Verdict as Verdict
    from anodewane.settings import Settings as Settings
    from anodewane.settings import settings_from_toml as settings_from_toml
    from anodewane.views.together import judge_together as judge_together

_PUBLIC = {
    "AnodewaneError": "errors",
    "ExitCode": "errors",
    "Settings": "settings",
    "Template": "records",
    "Verdict": "records",
    "judge": "pipeline",
    "judge_folder": "batch.folder",
    "judge_together": "views.together",
    "load_template": "catalog.templates",
    "new_book": "book.store",
    "open_book": "book.store",
    "overlay": "draw",
    "record_schema": "record_json",
    "settings_from_toml": "settings",
    "verdict_from_json": "record_json",
    "verdict_to_json": "record_json",
}

__all__ = sorted([*_PUBLIC, "__version__"])


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from anodewane.version import own_version

        return own_version()
    if name in _PUBLIC:
        from importlib import import_module

        return getattr(import_module(f"anodewane.{_PUBLIC[name]}"), name)
    raise AttributeError(f"module 'anodewane' has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__
