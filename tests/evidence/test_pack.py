"""Evidence bags: what is packed, whatever is changed afterwards, judging again, time-stamps
and signatures."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import bagit
import pytest

from anodewane.errors import InputUnreadable, UsageError
from anodewane.evidence.check import check
from anodewane.evidence.contents import settings_from_json, settings_json
from anodewane.evidence.pack import pack as pack_with
from anodewane.evidence.recheck import recheck
from anodewane.evidence.remake import remake
from anodewane.evidence.signature import check_signatures, sign
from anodewane.judgement.method import Method
from anodewane.judgement.pipeline import judge
from anodewane.records import Given
from anodewane.report.gather import read_record
from anodewane.report.html import report_html
from anodewane.report.model import Cover
from anodewane.report.pdf import report_pdf
from anodewane.report.request import Choices, Sources, assemble
from anodewane.settings import Settings
from anodewane.show.record_json import verdict_from_json, verdict_to_json
from anodewane.stages.load import load_photo
from made.photos_with_place import SERIAL, with_place
from made.report_made import FINDING
from made.report_samples import SAMPLES, TEARDROP, Judged
from made.stamping_service import StampingService

NAMES = {"watch": "transom", "refuse": "skeg", "no-wear": "shaft bracket"}
needs_openssl = pytest.mark.skipif(shutil.which("openssl") is None, reason="needs openssl")
needs_ssh = pytest.mark.skipif(
    shutil.which("ssh-keygen") is None, reason="needs ssh-keygen (package openssh-client)"
)

SETTERS: dict[str, Any] = {"report.pdf": report_pdf, "report.html": report_html}


def pack(made: Any, folder: Path, **asked: Any) -> Any:
    """With the report's pages, as the command packs them."""
    return pack_with(made, folder, SETTERS, **asked)


def assembled(folder: Path, names: dict[str, str], photos: Path = SAMPLES) -> Any:
    records = tuple(read_record(folder / f"{n}.json", p) for n, p in names.items())
    choices = Choices(
        Cover("Autumn", "Marram", "2026-10-04", "2026-10-06"),
        (replace(FINDING),),
        photos=(photos,),
        template_files=(TEARDROP,),
    )
    return assemble(Sources(records, (folder,)), choices)


@pytest.fixture(scope="module")
def packed(judged_samples: Judged, tmp_path_factory: pytest.TempPathFactory) -> Path:
    bag = tmp_path_factory.mktemp("packed") / "bag"
    result = pack(assembled(judged_samples.folder, NAMES), bag)
    assert result.said == ()
    return bag


@pytest.fixture
def bag(packed: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(packed, tmp_path / "bag"))


def test_the_bag_holds_all_that_the_report_rests_on(packed: Path, judged_samples: Judged) -> None:
    assert check(packed).faults == ()
    assert bagit.Bag(str(packed)).is_valid()
    index = json.loads((packed / "data" / "bag.json").read_text(encoding="utf-8"))
    for entry, name in zip(index["parts"], NAMES, strict=True):
        assert (packed / entry["original"]["file"]).read_bytes() == (SAMPLES / f"{name}.jpg").read_bytes()
        assert (packed / entry["record"]["file"]).read_bytes() == (
            judged_samples.folder / f"{name}.json"
        ).read_bytes()
        assert (packed / entry["overlay"]["file"]).stat().st_size > 10_000
        settings = (packed / entry["settings"]["file"]).read_bytes()
        assert hashlib.sha256(settings).hexdigest().startswith(entry["settings"]["digest"])
    assert {e["model_sha256"] for e in index["parts"] if e["model_sha256"]} == {
        hashlib.sha256((Path(__file__).parents[2] / "models" / "segmenter.onnx").read_bytes()).hexdigest()
    }
    assert index["framing"]["findings"][0] == {
        "position": "transom",
        "verdict": "replace",
        "by": "A. Surveyor",
        "why": "Rings dull when tapped.",
        "when": "2026-10-06",
    }
    assert (packed / "data" / "report" / "report.pdf").read_bytes()[:5] == b"%PDF-"
    assert (packed / "data" / "report" / "report.html").exists()


def test_the_same_input_gives_the_same_bag(packed: Path, judged_samples: Judged, tmp_path: Path) -> None:
    again = pack(assembled(judged_samples.folder, NAMES), tmp_path / "bag")
    assert again.seal == check(packed).seal


@pytest.mark.slow
def test_a_changed_byte_in_any_file_is_named(bag: Path) -> None:
    """Every file of the bag, payload and tag files alike."""
    files = [f for f in sorted(bag.rglob("*")) if f.is_file()]
    assert len(files) > 15
    for file in files:
        whole = file.read_bytes()
        changed = bytearray(whole)
        changed[len(whole) // 3] ^= 4
        file.write_bytes(bytes(changed))
        name = file.relative_to(bag).as_posix()
        try:
            # of a change in the tag manifest itself, the file whose line it is and the manifest are
            # named together: either may be the changed one
            assert any(name == f.file or name in f.text for f in check(bag).faults), name
        finally:
            file.write_bytes(whole)
    assert check(bag).faults == ()


def resealed(bag: Path) -> None:
    """Make every checksum right again, as someone would who changes a bag on purpose."""
    payload = sorted(f for f in (bag / "data").rglob("*") if f.is_file())
    lines = [
        f"{hashlib.sha256(f.read_bytes()).hexdigest()}  {f.relative_to(bag).as_posix()}\n" for f in payload
    ]
    (bag / "manifest-sha256.txt").write_text("".join(lines))
    oxum = f"Payload-Oxum: {sum(f.stat().st_size for f in payload)}.{len(payload)}\n"
    (bag / "bag-info.txt").write_text(oxum)
    tags = ("bag-info.txt", "bagit.txt", "manifest-sha256.txt")
    (bag / "tagmanifest-sha256.txt").write_text(
        "".join(f"{hashlib.sha256((bag / t).read_bytes()).hexdigest()}  {t}\n" for t in tags)
    )


def edit_record(bag: Path, position: str, edit: Callable[[Any], None]) -> None:
    entry = next(e for e in index_of(bag)["parts"] if e["position"] == position)
    file = bag / entry["record"]["file"]
    plain = json.loads(file.read_text(encoding="utf-8"))
    edit(plain)
    file.write_text(json.dumps(plain), encoding="utf-8")


def index_of(bag: Path) -> Any:
    return json.loads((bag / "data" / "bag.json").read_text(encoding="utf-8"))


def edit_index(bag: Path, edit: Callable[[Any], None]) -> None:
    index = index_of(bag)
    edit(index)
    (bag / "data" / "bag.json").write_text(json.dumps(index), encoding="utf-8")


FORGERIES: dict[str, Callable[[Path], None]] = {
    "a milder verdict": lambda b: edit_record(b, "transom", lambda p: p.update(verdict="ok")),
    "less metal gone": lambda b: edit_record(
        b, "transom", lambda p: p["consumed"]["mass_pct"].update(value=12.0)
    ),
    "another photo": lambda b: shutil.copy(
        SAMPLES / "sound.jpg", b / index_of(b)["parts"][0]["original"]["file"]
    ),
    "another limit in the settings": lambda b: (b / index_of(b)["parts"][0]["settings"]["file"]).write_bytes(
        settings_json(Settings(limit_pct=90.0))
    ),
    "another template": lambda b: shutil.copy(TEARDROP, b / index_of(b)["parts"][0]["template"]["file"]),
    "a record that isn't one": lambda b: (b / index_of(b)["parts"][0]["record"]["file"]).write_text("{}"),
    "an index that isn't JSON": lambda b: (b / "data" / "bag.json").write_text("{"),
    "an index of another format": lambda b: edit_index(b, lambda i: i.update(format=99)),
    "an index without parts": lambda b: edit_index(b, lambda i: i.update(parts=[])),
    "an index that leads out": lambda b: edit_index(
        b, lambda i: i["parts"][0]["original"].update(file="data/../../../etc/passwd")
    ),
    "an index that names a tag file": lambda b: edit_index(
        b, lambda i: i["parts"][0]["settings"].update(file="bagit.txt")
    ),
    "an index with a number for a name": lambda b: edit_index(b, lambda i: i["parts"][0].update(record=5)),
    "an original that is gone from the index": lambda b: edit_index(
        b, lambda i: i["parts"][0].update(original=None)
    ),
}


@pytest.mark.parametrize("what", FORGERIES)
def test_a_bag_that_was_changed_and_sealed_again_still_contradicts_itself(what: str, bag: Path) -> None:
    FORGERIES[what](bag)
    resealed(bag)
    assert bagit.Bag(str(bag)).is_valid()
    assert check(bag).faults, what


def test_judging_again_gives_the_same(packed: Path) -> None:
    again = recheck(packed, check(packed).parts)
    assert [a.position for a in again] == list(NAMES.values())
    assert all(a.same for a in again), again
    assert again[0].mass_points == 0.0
    assert again[1].mass_points is None  # a refusal has no figure


def test_judging_again_tells_what_differs_in_points(bag: Path, judged_samples: Judged) -> None:
    """A record that agrees with itself and names another version and model: only judging again shows
    that its figures aren't those of the photo."""
    truth = judged_samples.verdicts["watch"].consumed
    assert truth is not None
    mass = truth.mass_pct

    def edit(plain: Any) -> None:
        plain["provenance"].update(anodewane="0.0.9", model_sha256="12" * 32)
        plain["consumed"]["mass_pct"].update(value=round(mass.value - 5, 2), low=round(mass.low - 4, 2))
        plain["mass"]["remaining_g"].update(
            value=round(plain["mass"]["new_g"] * (1 - (mass.value - 5) / 100), 1), high=1e4
        )

    edit_record(bag, "transom", edit)
    resealed(bag)
    assert check(bag).faults == ()
    first = recheck(bag, check(bag).parts)[0]
    assert not first.same
    assert first.mass_points == pytest.approx(5.0, abs=0.02)
    assert first.low_points == pytest.approx(4.0, abs=0.02)
    assert first.high_points == 0.0
    assert first.area_points == 0.0
    assert any("0.0.9 then" in o for o in first.other)
    assert any(o.startswith("model: SHA-256 1212") for o in first.other)


@pytest.mark.parametrize(
    ("photo", "given", "settings"),
    [
        ("watch", Given(weighed_g=212.25), {}),
        ("watch", Given(weighed_g=212.25, thickness_mm=11.2345, check_line_mm=(99.62, 99.875)), {}),
        ("watch", Given(thickness_mm=11.2345), {"limit_pct": 35.125, "monitor_from_pct": 30.0}),
        ("refuse", Given(weighed_g=212.25, check_line_mm=(99.5, 99.5)), {"basis": 'half "gone"'}),
    ],
    ids=["weight", "all three", "calliper", "refused"],
)
def test_whatever_was_given_a_bag_is_judged_again_from_itself(
    judged_samples: Judged, tmp_path: Path, photo: str, given: Given, settings: dict[str, Any]
) -> None:
    from anodewane.catalog.templates import builtin_templates

    verdict = judge(
        load_photo((SAMPLES / f"{photo}.jpg").read_bytes(), f"{photo}.jpg"),
        builtin_templates()["plate-120x60x16-2holes"],
        given,
        Method(Settings(**settings)),
    )
    (tmp_path / "w.json").write_text(verdict_to_json(verdict), encoding="utf-8")
    result = pack(assembled(tmp_path, {"w": "transom"}), tmp_path / "bag")
    assert result.said == ()
    checked = check(tmp_path / "bag")
    assert checked.faults == ()
    assert recheck(tmp_path / "bag", checked.parts)[0].same


def test_an_earlier_record_that_keeps_no_settings_is_told(judged_samples: Judged, tmp_path: Path) -> None:
    verdict = replace(judged_samples.verdicts["watch"], schema_version="1.1", given=None, settings=None)
    (tmp_path / "w.json").write_text(verdict_to_json(verdict), encoding="utf-8")
    result = pack(assembled(tmp_path, {"w": "transom"}), tmp_path / "bag")
    assert "doesn't tell all of its settings" in result.said[0]
    checked = check(tmp_path / "bag")
    assert checked.faults == ()
    assert recheck(tmp_path / "bag", checked.parts)[0].why == "the bag doesn't hold its settings"


def test_what_earlier_bags_kept_among_the_settings_is_given() -> None:
    """Before records of 1.2 a bag's settings held weight, thickness and check line."""
    plain = json.loads(settings_json(Settings()))
    plain |= {"weighed_g": 212.25, "thickness_given_mm": None, "check_line_given": True}
    plain |= {"check_line_x_mm": 99.5, "check_line_y_mm": 99.0}
    settings, given, notes = settings_from_json(json.dumps(plain).encode())
    assert (settings, notes) == (Settings(), ())
    assert (given.weighed_g, given.thickness_mm, given.check_line_mm) == (212.25, None, (99.5, 99.0))
    plain["check_line_given"] = False
    assert settings_from_json(json.dumps(plain).encode())[1].check_line_mm is None
    with pytest.raises(UsageError, match="can't be read"):
        settings_from_json(json.dumps(plain | {"weighed_g": "heavy"}).encode())


def test_settings_of_another_version_are_read_and_told() -> None:
    plain = json.loads(settings_json(Settings(limit_pct=40.0)))
    del plain["edge" if "edge" in plain else "limb_sd_mm"]
    plain["gone_since"] = 1.0
    settings, _, notes = settings_from_json(json.dumps(plain).encode())
    assert settings.limit_pct == 40.0
    assert len(notes) == 2
    with pytest.raises(UsageError):
        settings_from_json(b"[]")
    with pytest.raises(UsageError):
        settings_from_json(json.dumps({"limit_pct": "high"}).encode())


def test_settings_come_back_to_the_same_digest() -> None:
    settings = Settings(limit_pct=33.3, basis='half "gone"\n')
    read, _, notes = settings_from_json(settings_json(settings))
    assert read.digest() == settings.digest()
    assert notes == ()
    assert hashlib.sha256(settings_json(settings)).hexdigest().startswith(settings.digest())


def test_a_bag_without_an_original_isn_t_packed(judged_samples: Judged, tmp_path: Path) -> None:
    (tmp_path / "w.json").write_bytes((judged_samples.folder / "watch.json").read_bytes())
    with pytest.raises(InputUnreadable, match="is missing"):
        pack(assembled(tmp_path, {"w": "transom"}, tmp_path), tmp_path / "bag")
    (tmp_path / "watch.jpg").write_bytes((SAMPLES / "sound.jpg").read_bytes())
    with pytest.raises(InputUnreadable, match="isn't the photo"):
        pack(assembled(tmp_path, {"w": "transom"}, tmp_path), tmp_path / "bag")
    assert not (tmp_path / "bag").exists()


def test_a_part_that_was_judged_from_several_photos(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, judged_samples: Judged
) -> None:
    """All of its photos are packed, checked by their own hashes, and handed to the judge again, each on
    its side. The judge of several photos is a double here."""
    from anodewane.record import TogetherFigures, ViewFigures
    from anodewane.views import together

    alone = judged_samples.verdicts["watch"]
    assert alone.consumed is not None

    def view(name: str, other: bool) -> ViewFigures:
        digest = hashlib.sha256((SAMPLES / name).read_bytes()).hexdigest()
        return ViewFigures(
            name,
            digest,
            other,
            5.0,
            80.0,
            0.0,
            800.0,
            0.2,
            0.0,
            0.0,
            True,
            3.0,
            0.4,
            alone.outline.photo_px[:1] if alone.outline else (),
            (),
        )

    both = TogetherFigures(
        alone.consumed.mass_pct, alone.consumed.area_pct, ((0.0, 0.0, 11.0),), 5.0, 2.0, 40, 0.3, None
    )
    verdict = replace(
        alone,
        views=(view("watch.jpg", False), view("sound.jpg", False), view("rod.jpg", True)),
        together=both,
    )
    (tmp_path / "w.json").write_text(verdict_to_json(verdict), encoding="utf-8")
    made = assembled(tmp_path, {"w": "transom"})
    assert any(label == "photo sound.jpg" for label, _ in made.report.hashes[0].rows)
    assert any("3; from the one above alone" in text for _, text in made.report.parts[0].figures)
    bag = tmp_path / "bag"
    pack(made, bag)
    originals = {f.read_bytes() for f in (bag / "data" / "originals").iterdir()}
    assert originals == {(SAMPLES / n).read_bytes() for n in ("watch.jpg", "sound.jpg", "rod.jpg")}
    checked = check(bag)
    assert checked.faults == ()
    given: dict[str, Any] = {}

    def double(photos: Any, template: Any, _given: Any, _method: Any, **more: Any) -> Any:
        given.update(photos=photos, other=more["other_side"], template=template)
        return verdict

    monkeypatch.setattr(together, "judge_together", double)
    assert recheck(bag, checked.parts)[0].same
    assert [p.source.name for p in given["photos"]] == ["watch.jpg", "sound.jpg"]
    rod = hashlib.sha256((SAMPLES / "rod.jpg").read_bytes()).hexdigest()
    assert [(p.source.sha256, p.source.name) for p in given["other"]] == [(rod, "rod.jpg")]
    other = bag / index_of(bag)["parts"][0]["views"][0]["file"]
    shutil.copy(SAMPLES / "turned.jpg", other)
    resealed(bag)
    assert any(f.file == other.relative_to(bag).as_posix() for f in check(bag).faults)


# --- the place -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def placed_photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a photo that has a place and a serial number, and its record."""
    from anodewane.catalog.templates import builtin_templates

    folder = tmp_path_factory.mktemp("placed")
    data = with_place("jpg", SAMPLES / "watch.jpg")
    (folder / "watch.jpg").write_bytes(data)
    verdict = judge(load_photo(data, "watch.jpg"), builtin_templates()["plate-120x60x16-2holes"])
    assert verdict.status == "judged"
    (folder / "w.json").write_text(verdict_to_json(verdict), encoding="utf-8")
    return folder


def test_packing_says_plainly_that_originals_carry_a_place(placed_photo: Path, tmp_path: Path) -> None:
    result = pack(assembled(placed_photo, {"w": "transom"}, placed_photo), tmp_path / "bag")
    assert result.located == ("transom",)
    assert result.device == ("transom",)
    assert any("where they were taken: transom" in s and "--strip-location" in s for s in result.said)
    entry = index_of(tmp_path / "bag")["parts"][0]["original"]
    assert entry["carries_location"]
    assert (tmp_path / "bag" / entry["file"]).read_bytes() == (placed_photo / "watch.jpg").read_bytes()
    # only the original itself has it
    for file in (tmp_path / "bag").rglob("*"):
        if file.is_file() and file.relative_to(tmp_path / "bag").as_posix() != entry["file"]:
            assert SERIAL not in file.read_bytes(), file


def test_stripped_copies_are_packed_with_both_hashes_and_judge_alike(
    placed_photo: Path, tmp_path: Path
) -> None:
    original = (placed_photo / "watch.jpg").read_bytes()
    result = pack(
        assembled(placed_photo, {"w": "transom"}, placed_photo), tmp_path / "bag", strip_location=True
    )
    assert result.stripped
    entry = index_of(tmp_path / "bag")["parts"][0]["original"]
    copy = (tmp_path / "bag" / entry["file"]).read_bytes()
    assert entry["judged_sha256"] == hashlib.sha256(original).hexdigest()
    assert entry["sha256"] == hashlib.sha256(copy).hexdigest() != entry["judged_sha256"]
    assert SERIAL not in copy
    assert (placed_photo / "watch.jpg").read_bytes() == original
    checked = check(tmp_path / "bag")
    assert checked.faults == ()
    assert recheck(tmp_path / "bag", checked.parts)[0].same


def test_a_stripped_copy_can_t_be_swapped_for_another(placed_photo: Path, tmp_path: Path) -> None:
    pack(assembled(placed_photo, {"w": "transom"}, placed_photo), tmp_path / "bag", strip_location=True)
    shutil.copy(
        SAMPLES / "sound.jpg", tmp_path / "bag" / index_of(tmp_path / "bag")["parts"][0]["original"]["file"]
    )
    resealed(tmp_path / "bag")
    assert any(f.kind == "wrong" for f in check(tmp_path / "bag").faults)


# --- time and hand -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> StampingService:
    return StampingService(tmp_path_factory.mktemp("tsa") / "service")


@needs_openssl
def test_a_time_stamp_is_asked_for_stored_and_verified(
    bag: Path, service: StampingService, tmp_path: Path
) -> None:
    """Against openssl's own time-stamping authority; its `ts -verify` says the same of the same files."""
    pytest.importorskip("rfc3161_client")
    from anodewane.evidence.stamp import add_response, check_stamp, write_request

    assert check_stamp(bag) is None
    answer = service.answer(write_request(bag), tmp_path / "a.tsr")
    assert service.verifies(bag / "tagmanifest-sha256.txt", answer)
    added = add_response(bag, answer, service.root)
    assert added.holds
    assert added.trusted
    assert added.time is not None
    assert check(bag).faults == ()
    assert bagit.Bag(str(bag)).is_valid()
    bare = check_stamp(bag)
    assert bare is not None
    assert bare.holds
    assert bare.trusted is None
    other = StampingService(tmp_path / "other", "Someone else")
    stranger = check_stamp(bag, other.root)
    assert stranger is not None
    assert stranger.trusted is False
    with (bag / "tagmanifest-sha256.txt").open("a") as f:
        f.write("\n")
    changed = check_stamp(bag, service.root)
    assert changed is not None
    assert not changed.holds
    assert not service.verifies(bag / "tagmanifest-sha256.txt", answer)


@needs_openssl
def test_a_response_that_isn_t_for_this_bag_is_refused(
    bag: Path, service: StampingService, tmp_path: Path
) -> None:
    pytest.importorskip("rfc3161_client")
    from anodewane.evidence.stamp import RESPONSE, add_response, write_request

    request = write_request(bag)
    old = service.answer(request, tmp_path / "old.tsr")
    write_request(bag)  # another request, another nonce
    with pytest.raises(UsageError, match="another request"):
        add_response(bag, old, service.root)
    subprocess.run(
        [
            "openssl",
            "ts",
            "-query",
            "-data",
            str(SAMPLES / "sound.jpg"),
            "-sha256",
            "-cert",
            "-out",
            str(tmp_path / "o.tsq"),
        ],
        check=True,
        capture_output=True,
    )
    with pytest.raises(UsageError, match="something else"):
        add_response(bag, service.answer(tmp_path / "o.tsq", tmp_path / "o.tsr"), service.root)
    (tmp_path / "junk.tsr").write_bytes(b"junk")
    with pytest.raises(UsageError, match="can be read"):
        add_response(bag, tmp_path / "junk.tsr")
    assert not (bag / RESPONSE).exists()


@needs_openssl
def test_a_stamp_with_the_authority_s_certificate_is_read_as_services_send_it(
    bag: Path, service: StampingService, tmp_path: Path
) -> None:
    """Two certificates, in either order; openssl ts -verify takes both."""
    pytest.importorskip("rfc3161_client")
    from anodewane.evidence.stamp import _element, _elements, add_response, write_request

    request = write_request(bag)
    sent = service.answer(request, tmp_path / "chain.tsr", chain=True)
    data = sent.read_bytes()
    (certificates,) = [c for t, c in _elements(_signed_data(data)) if t == 0xA0]
    each = [_element(*e) for e in _elements(certificates)]
    assert len(each) == 2
    turned = tmp_path / "turned.tsr"
    turned.write_bytes(data.replace(b"".join(each), b"".join(reversed(each))))
    for file in (sent, turned):
        subprocess.run(
            ["openssl", "ts", "-verify", "-in", file, "-queryfile", request, "-CAfile", service.root],
            check=True,
            capture_output=True,
        )
        stamp = add_response(bag, file, service.root)
        assert stamp.holds
        assert stamp.trusted
    assert (bag / "stamp/tagmanifest-sha256.tsr").read_bytes() == turned.read_bytes()  # kept as it was sent


def _signed_data(response: bytes) -> bytes:
    from anodewane.evidence.stamp import _elements

    token = _elements(_elements(response)[0][1])[1][1]
    return _elements(_elements(token)[1][1])[0][1]


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("key") / "id"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "", "-f", str(path)], check=True)
    return path


@needs_ssh
def test_a_signature_says_who_packed_the_bag(bag: Path, key: Path, tmp_path: Path) -> None:
    assert check_signatures(bag) == ()
    made = sign(bag, key)
    assert made.holds
    assert check(bag).faults == ()
    assert bagit.Bag(str(bag)).is_valid()
    signers = tmp_path / "signers"
    signers.write_text(f"surveyor@example.org {key.with_suffix('.pub').read_text()}")
    (known,) = check_signatures(bag, signers)
    assert known.signer == "surveyor@example.org"
    # by OpenSSH itself, from the bag's own files
    sealed = (bag / "tagmanifest-sha256.txt").read_bytes()
    args = [
        "ssh-keygen",
        "-Y",
        "verify",
        "-f",
        str(signers),
        "-I",
        "surveyor@example.org",
        "-n",
        "anodewane-evidence",
        "-s",
        str(next((bag / "signature").glob("*.sig"))),
    ]
    assert subprocess.run(args, input=sealed, capture_output=True, check=False).returncode == 0
    subprocess.run(
        ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "", "-f", str(tmp_path / "other")], check=True
    )
    signers.write_text(f"someone {(tmp_path / 'other.pub').read_text()}")
    (stranger,) = check_signatures(bag, signers)
    assert stranger.signer is None
    assert stranger.why
    with (bag / "tagmanifest-sha256.txt").open("a") as f:
        f.write("\n")
    (changed,) = check_signatures(bag)
    assert not changed.holds


@needs_ssh
def test_several_sign_and_none_is_overwritten(bag: Path, key: Path, tmp_path: Path) -> None:
    subprocess.run(
        ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "", "-f", str(tmp_path / "yard")], check=True
    )
    for k in (key, tmp_path / "yard", key):
        assert sign(bag, k).holds
    signers = tmp_path / "signers"
    signers.write_text(
        f"surveyor {key.with_suffix('.pub').read_text()}\nyard {(tmp_path / 'yard.pub').read_text()}"
    )
    found = check_signatures(bag, signers)
    assert {s.signer for s in found} == {"surveyor", "yard"}
    assert len(found) == 2
    assert check(bag).faults == ()


def test_what_the_bag_shows_is_made_again(bag: Path) -> None:
    made = remake(bag, check(bag), SETTERS)
    assert all(r.same for r in made), [r for r in made if not r.same]
    assert {Path(r.file).suffix for r in made} == {".jpg", ".pdf", ".html"}


def test_an_exchanged_report_and_swapped_overlays_are_found_though_the_manifests_agree(bag: Path) -> None:
    """Whoever exchanges them can make the manifests anew; bagit itself finds nothing then."""
    report = bag / "data/report/report.html"
    report.write_bytes(report.read_bytes().replace(b"MONITOR", b"OK"))
    first, second = sorted((bag / "data/overlays").iterdir())[:2]
    a, b = first.read_bytes(), second.read_bytes()
    first.write_bytes(b)
    second.write_bytes(a)
    resealed(bag)
    assert bagit.Bag(str(bag)).is_valid()
    checked = check(bag)
    assert checked.faults == ()
    other = {r.file for r in remake(bag, checked, SETTERS) if r.same is False}
    assert other == {"data/report/report.html", *(f"data/overlays/{f.name}" for f in (first, second))}


def test_of_a_report_set_by_other_versions_nothing_is_claimed(bag: Path) -> None:
    index = index_of(bag)
    index["set_with"]["typst"] = "0.1"
    (bag / "data/bag.json").write_text(json.dumps(index))
    report = bag / "data/report/report.pdf"
    report.write_bytes(report.read_bytes() + b"\n")
    resealed(bag)
    (pdf,) = [r for r in remake(bag, check(bag), SETTERS) if r.file.endswith(".pdf")]
    assert pdf.same is None
    assert "typst 0.1 then" in str(pdf.why)


@needs_ssh
def test_a_key_that_is_none_is_refused(bag: Path, tmp_path: Path) -> None:
    (tmp_path / "nokey").write_text("not a key")
    with pytest.raises(UsageError, match="can't sign"):
        sign(bag, tmp_path / "nokey")
    with pytest.raises(InputUnreadable, match="no key"):
        sign(bag, tmp_path / "absent")
    (bag / "signature").mkdir(exist_ok=True)
    (bag / "signature" / "tagmanifest-sha256.txt.sig").write_text("junk")
    (junk,) = check_signatures(bag)
    assert not junk.holds


def test_the_record_that_was_packed_can_be_read_again(packed: Path) -> None:
    for entry in index_of(packed)["parts"]:
        verdict_from_json((packed / entry["record"]["file"]).read_bytes())
