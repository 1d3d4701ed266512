"""Says from a phone photo how much of a sacrificial anode is gone, how sure that is, and whether
to replace it.

The map. A file imports only from rows above it (``tests/test_import_law.py`` holds it to that); heavy
imports stay inside functions, so that ``anodewane --help`` is instant. To read the code, begin with
``judgement/pipeline.py``: it is the judgement, stage by stage.

errors.py, version.py, units.py, files.py
    Exit codes and errors with remedies; the version; frames and units; files written whole or not at all.
record.py, records.py, settings.py, refusals.py
    The record that comes out, which becomes the JSON; what passes between stages, frozen; every knob
    with unit and source; every refusal and finding.
geometry/
    motion robust sampling camera rings pyramid: rigid motions; one-sigmas that wild values don't move;
    values between pixels; cameras and homographies; rings and polygons; a photo at half its size.
wear/
    metals forms mesh_field field contour cast_law open_form solids edge_height faces weighed left:
    densities and charge; castings by form, on a grid, by their silhouette; solids as they waste; what a
    camera sees of an edge; faces that it doesn't see; the scales; the metal that is left.
catalog/
    Sheet layouts and part templates as data, with their loaders and makers.
segment/
    classical model_file foreign: metal told from the rest by statistics; the trained network's file, checked;
    what is no metal.
stages/
    load markers sheet_quality card plane paper print_scale label flatten segment refine painted fouling
    align wear decide: one stage, one file, in this order. Records in, records out. placing/ holds what
    align lays a template with.
judgement/
    method found provenance to_record pipeline: how photos are judged; the stages in order,
    ``judge(photo, template, given, method) -> Verdict``; the record of what they found.
    manual_outline new_part lens_fit: outlines by hand; the outline of a new part; a phone's lens.
views/
    Several photos of one part, fitted together.
show/
    marks figures svg html: verdicts' words and colours, rounding, drawings and pages as text. They stand
    above the wings: sentences of reasons hold figures, and templates are drawn.
    record_json words canvas caption overlay overlay_of_views: the record as JSON, in words,
    as a picture.
book/
    entries names: what the season's book holds, as records. rates outlook states calibrate notices:
    what follows from it. file queries fleet findings store: the SQLite file, read, written by what is
    written, opened. cautions parts orders plot refit intake new_parts yard_list listing exchange: what goes
    in and comes out.
batch/
    A folder of photos: planned, judged in parallel, resumed, summed up; on object storage too.
report/
    texts shapes drawings pictures: sentences, outlines, drawings. model doubts tables part_page write: its
    pages in their final words. gather request from_book: from records or the book. html pdf: set.
evidence/
    bag privacy signature stamp: the bag that proves a report. contents pack check recheck remake: packed,
    checked, judged again. Stands above setting, which it is handed.
web/
    limits connections turns guard yard corrections quick worker judging: who may come in, what waits, what
    the workers do. views answers routes/ app run: the page in the yard, photos from phones into the book.
testing/
    A small renderer with exact truth, and doubles that inject faults.
cli/
    One file a command: options and printing.

Public names are loaded when they are first used::

    from pathlib import Path
    import anodewane

    photo = anodewane.load_photo(Path("photo.jpg").read_bytes(), "photo.jpg")
    template = anodewane.load_template("plate-150x75x20-2slots")
    verdict = anodewane.judge(photo, template, anodewane.Given(weighed_g=812.5))
    print(anodewane.verdict_to_json(verdict))
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from anodewane.batch.folder import judge_folder as judge_folder
    from anodewane.book.store import new_book as new_book
    from anodewane.book.store import open_book as open_book
    from anodewane.catalog.templates import load_template as load_template
    from anodewane.errors import AnodewaneError as AnodewaneError
    from anodewane.errors import ExitCode as ExitCode
    from anodewane.judgement.method import Method as Method
    from anodewane.judgement.pipeline import judge as judge
    from anodewane.record import Verdict as Verdict
    from anodewane.records import Given as Given
    from anodewane.records import Template as Template
    from anodewane.settings import Settings as Settings
    from anodewane.settings import settings_from_toml as settings_from_toml
    from anodewane.show.overlay import overlay as overlay
    from anodewane.show.record_json import record_schema as record_schema
    from anodewane.show.record_json import verdict_from_json as verdict_from_json
    from anodewane.show.record_json import verdict_to_json as verdict_to_json
    from anodewane.stages.load import load_photo as load_photo
    from anodewane.views.together import judge_together as judge_together

_PUBLIC = {
    "AnodewaneError": "errors",
    "ExitCode": "errors",
    "Given": "records",
    "Method": "judgement.method",
    "Settings": "settings",
    "Template": "records",
    "Verdict": "record",
    "judge": "judgement.pipeline",
    "judge_folder": "batch.folder",
    "judge_together": "views.together",
    "load_photo": "stages.load",
    "load_template": "catalog.templates",
    "new_book": "book.store",
    "open_book": "book.store",
    "overlay": "show.overlay",
    "record_schema": "show.record_json",
    "settings_from_toml": "settings",
    "verdict_from_json": "show.record_json",
    "verdict_to_json": "show.record_json",
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
