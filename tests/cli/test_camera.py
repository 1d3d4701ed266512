"""`anodewane camera` on exact renders of the sheet through a lens with a known bend, and what it refuses."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from PIL import Image

from anodewane.catalog.lens import LensProfile, lens_profile_from_toml, lens_profile_to_toml
from anodewane.catalog.print_sheet import sheet_picture
from anodewane.cli import main
from anodewane.errors import ExitCode, UsageError
from anodewane.geometry.camera import to_height
from anodewane.judgement.lens_fit import Shot, measure_lens
from anodewane.records import Camera
from anodewane.settings import Settings
from made.sheet_scenes import HALF, HEIGHT, PX_PER_MM, WIDTH, camera, linear, sighting

GOOD = lens_profile_to_toml(LensProfile("a", 1.2, 0.01, 0.0, 0.001, 5))
VIEWS = [(3, 0, 0), (25, 0, 5), (25, 90, -5), (28, 180, 0), (30, 270, 5), (20, 45, 0)]


def shots_of(cameras, name="mat-a4", noise=0.06, seed=0, model="M P", f35=26.0):
    rng = np.random.default_rng(seed)
    return [
        Shot(f"{i}.jpg", str(i), model, f35, (WIDTH, HEIGHT), sighting(c, name, noise, rng))
        for i, c in enumerate(cameras)
    ]


@pytest.mark.slow
def test_focal_length_and_bend_come_back_within_their_stated_doubt():
    """Monte Carlo over noise and a wandering optical axis: nine in ten errors within 1.645
    sigma, near enough."""
    rng = np.random.default_rng(4)
    z = []
    for trial in range(25):
        f35, k1 = 26.0 * np.exp(rng.normal(0, 0.03)), rng.normal(0, 0.02)
        views = [
            camera(
                t, a + rng.uniform(-10, 10), rng.uniform(350, 500), f35, k1, rng.normal(0, 0.006 * HALF, 2)
            )
            for t, a, _ in VIEWS
        ]
        profile = measure_lens(shots_of(views, seed=trial), Settings()).profile
        z.append(
            [(np.log(profile.focal_35mm / f35)) / profile.focal_sd_frac, (profile.k1 - k1) / profile.k1_sd]
        )
        assert profile.focal_sd_frac < 0.01 and profile.k1_sd < 0.004
    z = np.array(z)
    assert np.all(
        np.mean(np.abs(z) < 1.645, axis=0) >= 0.8
    )  # 25 trials: 0.8 is one in a hundred by chance when the sigma is right
    assert np.all(np.abs(z) < 4) and np.all(np.abs(z.mean(axis=0)) < 0.6)


def test_views_that_are_too_alike_are_refused():
    with pytest.raises(UsageError, match="too alike"):
        measure_lens(shots_of([camera(2, a, 500) for a in (0, 3, 5, 8)], "card"), Settings())


def test_different_phones_lenses_and_twice_the_same_are_refused():
    good = shots_of([camera(t, a, 450) for t, a, _ in VIEWS])
    other_phone = shots_of([camera(3, 0, 450)], model="N Q")
    other_lens = shots_of([camera(3, 0, 450)], f35=52.0)
    for bad, says in ((other_phone, "phones"), (other_lens, "focal lengths"), (good[:1], "twice")):
        with pytest.raises(UsageError, match=says):
            measure_lens([*good, *bad], Settings())
    with pytest.raises(UsageError, match="at least 3"):
        measure_lens(good[:2], Settings())


def draw(cam: Camera, size):
    """The mat through a lens with bend, pixel by pixel: where each pixel's line of sight meets the sheet."""
    k = 2
    xs, ys = (np.arange(n * k) / k - (k - 1) / (2 * k) for n in size)
    points = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    mm = to_height(cam, points, 0.0).reshape(len(ys), len(xs), 2)
    picture = linear(cv2.GaussianBlur(sheet_picture("mat-a4", PX_PER_MM), (0, 0), 2.0))
    px = ((mm * [1, -1] + [148.5, 105.0]) * PX_PER_MM - 0.5).astype(np.float32)
    light = cv2.remap(
        0.04 + 0.76 * picture,
        px[..., 0],
        px[..., 1],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=0.2,
    )
    return cv2.GaussianBlur(cv2.resize(light, size, interpolation=cv2.INTER_AREA), (0, 0), 0.7)


@pytest.fixture(scope="module")
def photo_files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("förtöjning")
    size, k1, f35 = (1600, 1200), -0.035, 27.4
    half = np.hypot(*size) / 2
    paths = []
    for i, (tilt, turn, x) in enumerate(VIEWS):
        big = camera(tilt, turn, 420, f35, k1, at=(x, 0.0))
        cam = Camera(
            big.rotation, big.position_mm, big.focal_px * half / HALF, (np.array(size) - 1) / 2, k1, half
        )
        light = draw(cam, size) + np.random.default_rng(i).normal(0, 0.003, size[::-1])
        coded = 1.055 * np.clip(light, 0.0031308, 1) ** (1 / 2.4) - 0.055
        exif = Image.Exif()
        exif[0x010F], exif[0x0110] = "Maker", "Phone"
        exif.get_ifd(0x8769)[0xA405] = 27
        path = folder / f"vy å{i}.jpg"
        Image.fromarray((255 * coded + 0.5).astype(np.uint8)).convert("RGB").save(path, quality=95, exif=exif)
        paths.append(path)
    return paths, k1, f35


@pytest.mark.slow
def test_photos_to_profile_through_the_command(photo_files, tmp_path, capsys):
    paths, k1, f35 = photo_files
    out = tmp_path / "lins.toml"
    assert main(["camera", *map(str, paths), "--out", str(out)]) == ExitCode.JUDGED
    profile = lens_profile_from_toml(out.read_text(encoding="utf-8"))
    assert profile.camera == "Maker Phone" and profile.n_photos == len(paths)
    assert profile.k1 == pytest.approx(k1, abs=2.5 * profile.k1_sd) and profile.k1_sd < 0.004
    assert (
        np.log(profile.focal_35mm / f35) == pytest.approx(0, abs=2.5 * profile.focal_sd_frac)
        and profile.focal_sd_frac < 0.01
    )
    text = capsys.readouterr().out
    assert text.count("tilt") == len(paths) and "27 mm stated" in text


def test_what_the_command_refuses(photo_files, tmp_path, capsys):
    paths, _, _ = photo_files
    out = tmp_path / "x.toml"
    assert main(["camera", str(paths[0]), str(paths[1]), "--out", str(out)]) == ExitCode.USAGE
    blank = tmp_path / "blank.png"
    Image.new("RGB", (800, 600), "grey").save(blank)
    assert main(["camera", *map(str, paths[:3]), str(blank), "--out", str(out)]) == ExitCode.USAGE
    assert main(["camera", str(tmp_path / "none.jpg"), "--out", str(out)]) == ExitCode.INPUT_UNREADABLE
    assert (
        main(["camera", *map(str, paths[:3]), "--out", str(tmp_path / "no" / "x.toml")])
        == ExitCode.OUTPUT_NOT_WRITABLE
    )
    assert "Traceback" not in capsys.readouterr().err and not out.exists()


def test_a_profile_survives_its_file():
    profile = LensProfile('M "Ö" \\P', 1.234567, 0.0031, -0.0123456, 0.0004, 7)
    again = lens_profile_from_toml(lens_profile_to_toml(profile))
    assert again.camera == profile.camera and again.n_photos == 7
    assert (again.focal_half_diagonals, again.k1, again.k1_sd) == pytest.approx(
        (1.234567, -0.0123456, 0.0004), abs=1e-6
    )


@pytest.mark.parametrize(
    "text",
    [
        "",
        "not = [toml",
        "a = 1",
        GOOD.replace("k1 = 0", "k1 = 9"),
        GOOD.replace("version = 1", "version = 2"),
        GOOD.replace("n_photos = 5", "n_photos = 'five'"),
    ],
)
def test_a_file_that_is_no_profile_is_refused(text):
    with pytest.raises(UsageError):
        lens_profile_from_toml(text)
