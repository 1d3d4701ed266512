"""The label read from rendered sheets: near and far, oblique, blurred, printed small, half hidden; and
every code that isn't ours. Read or null, never wrong."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from anodewane.catalog.print_sheet import qr_modules, sheet_picture
from anodewane.catalog.sheet_label import encode, label_of
from anodewane.catalog.sheets import DESIGNS, all_layouts
from anodewane.geometry.camera import plane_homography
from anodewane.judgement.method import Method
from anodewane.record import Label
from anodewane.records import Photo, Plane, Source
from anodewane.stages.label import read_label
from anodewane.stages.load import load_photo
from anodewane.testing import exact_sheet_photo, look_at

LABELS = {
    25: label_of("Marram", "keel"),
    29: label_of("Sea Aster", "port quarter"),
    33: label_of("Полярная", "левый борт 2"),
}
WIDTH, HEIGHT = 1200, 900
PX_PER_MM = 12.0


def photo_of(rgb: np.ndarray) -> Photo:
    return Photo(rgb, Source("x.jpg", "0" * 64, 1), None, 26.0, None, ())


def plane_of(camera, check_line_mm: tuple[float, float] = (100.0, 100.0)) -> Plane:
    """The true camera: finding the sheet has its own tests."""
    return Plane(
        camera, np.zeros((8, 8)), plane_homography(camera), 0.1, 40, 0.0, 500.0, "exif", check_line_mm, 0.002
    )


def drawn(
    camera,
    picture: np.ndarray,
    name: str = "card",
    blur: float = 0.7,
    noise: float = 0.01,
    gain: float = 0.9,
    scale: float = 1.0,
) -> Photo:
    """A sheet's picture (8 bit grey) through the camera, blurred in linear light; `scale` is how large
    it was printed."""
    layout = all_layouts()[name]
    w, h = layout.size_mm
    mm_from_picture = np.array(
        [
            [1 / PX_PER_MM, 0, 0.5 / PX_PER_MM - w / 2],
            [0, -1 / PX_PER_MM, h / 2 - 0.5 / PX_PER_MM],
            [0, 0, 1 / scale],
        ]
    )
    soft = cv2.GaussianBlur(((picture / 255.0) ** 2.2).astype(np.float32), (0, 0), 2.0)
    fine = np.diag([2.0, 2.0, 1.0])
    fine[:2, 2] = 0.5
    seen = cv2.warpPerspective(
        soft, fine @ plane_homography(camera) @ mm_from_picture, (2 * WIDTH, 2 * HEIGHT), borderValue=0.2
    )
    light = (
        cv2.GaussianBlur(cv2.resize(seen, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA), (0, 0), blur) * gain
        + 0.03
    )
    light = light + np.random.default_rng(0).normal(0, noise, light.shape)
    grey = np.round(255 * np.clip(light, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    return photo_of(np.repeat(grey[..., None], 3, axis=2))


def camera_at(distance_mm: float = 360.0, tilt_deg: float = 10.0, turn_deg: float = 40.0):
    return look_at(
        (0, 0),
        distance_mm=distance_mm,
        tilt_deg=tilt_deg,
        azimuth_deg=turn_deg,
        roll_deg=2 * turn_deg,
        width=WIDTH,
        height=HEIGHT,
    )


def seen(picture: np.ndarray, name: str = "card", camera=None, **how) -> Label | None:
    camera = camera or camera_at()
    return read_label(drawn(camera, picture, name, **how), plane_of(camera), all_layouts()[name])


@pytest.fixture(scope="module")
def pictures() -> dict[int, np.ndarray]:
    return {n: sheet_picture("card", PX_PER_MM, label) for n, label in LABELS.items()}


@pytest.mark.parametrize("n", LABELS)
@pytest.mark.parametrize(
    ("distance", "tilt", "turn"), [(250, 5, 10), (360, 25, 130), (360, 40, 250), (525, 10, 300)]
)
def test_labels_of_every_size_are_read_from_any_side(pictures, n, distance, tilt, turn):
    """525 mm at 1200 pixels is 1.7 pixels a mm: half as fine as a 12 MP phone at 1000 mm."""
    camera = camera_at(distance, tilt, turn)
    assert seen(pictures[n], camera=camera) == LABELS[n]


@pytest.mark.parametrize("name", ["mat-a4", "mat-letter"])
def test_labels_are_read_on_the_mats(name):
    assert seen(sheet_picture(name, PX_PER_MM, LABELS[29]), name, camera=camera_at(450)) == LABELS[29]


def test_blur_makes_it_null_in_the_end_and_never_wrong(pictures):
    got = [seen(pictures[33], blur=b) for b in (0.5, 1.0, 1.5, 4.0, 8.0)]
    assert got[:2] == [LABELS[33]] * 2
    assert got[-1] is None
    assert set(got) <= {LABELS[33], None}


@pytest.mark.parametrize("gain", [0.05, 1.25])
def test_a_dim_or_a_bright_photo_is_read(pictures, gain):
    assert seen(pictures[29], gain=gain, noise=0.002) == LABELS[29]


def test_a_sheet_printed_small_is_read_with_its_measured_line(pictures):
    camera = camera_at()
    photo = drawn(camera, pictures[33], scale=0.94)
    assert read_label(photo, plane_of(camera, (94.0, 94.0)), all_layouts()["card"]) == LABELS[33]


def test_light_that_falls_off_does_no_harm(pictures):
    fall = np.linspace(1.0, 0.25, pictures[33].shape[1])[None] ** (1 / 2.2)
    assert seen((pictures[33] * fall).astype(np.uint8)) == LABELS[33]


def test_a_sheet_without_a_label_has_none():
    assert seen(sheet_picture("card", PX_PER_MM)) is None


def test_a_code_that_the_frame_cuts_is_none(pictures):
    camera = look_at((-90, 20), distance_mm=250, width=WIDTH, height=HEIGHT)
    assert read_label(drawn(camera, pictures[29]), plane_of(camera), all_layouts()["card"]) is None


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.03, 0.1, 0.25, 0.6, 1.0])
def test_a_part_over_the_code_is_null_or_the_truth(pictures, share):
    """A dark, then a bright part creeps over the code from each corner."""
    x, y, side = DESIGNS["card"].label_mm
    rows, cols = (
        (np.array([74.0 - y - side, 74.0 - y]) * PX_PER_MM).astype(int),
        (np.array([105.0 + x, 105.0 + x + side]) * PX_PER_MM).astype(int),
    )
    reach = int(np.sqrt(share) * 0.8 * side * PX_PER_MM)
    edge = int(0.1 * side * PX_PER_MM)
    got = []
    for n, label in LABELS.items():
        for level, *corners in ((40, (0, 0), (1, 1)), (190, (0, 1), (1, 0))):
            for top, left in corners:
                picture = pictures[n].copy()
                r = rows[1] - edge - reach if top else rows[0] + edge
                c = cols[1] - edge - reach if left else cols[0] + edge
                picture[r : r + reach, c : c + reach] = level
                got.append(seen(picture) in ((None,) if share > 0.5 else (None, label)))
    assert all(got)


# --- other people's codes ------------------------------------------------------------------------


def code_of(text: str, side_mm: float) -> np.ndarray:
    """A code as OpenCV draws it, white about it, `side_mm` over all."""
    code = cv2.QRCodeEncoder.create().encode(text)
    return cv2.resize(
        np.pad(code[1:-1, 1:-1], 3, constant_values=255),
        (int(side_mm * PX_PER_MM),) * 2,
        interpolation=cv2.INTER_NEAREST,
    )


def laid_at(picture: np.ndarray, code: np.ndarray, x: float, y: float) -> np.ndarray:
    """The code lying with its lower left corner at x, y (sheet mm)."""
    out = picture.copy()
    row, col = int((74 - y) * PX_PER_MM) - len(code), int((105 + x) * PX_PER_MM)
    out[row : row + len(code), col : col + len(code)] = code
    return out


FOREIGN = [
    "https://example.org/x",
    "AW1",
    "AW1\nTern\nkeel\nAAAAA",
    "WIFI:S:boat;T:WPA;P:1234;;",
    "12345678901234567890",
    "=cmd|' /C calc'!A0",
]


@pytest.mark.parametrize("text", FOREIGN)
def test_somebody_elses_code_in_the_very_place_is_no_label(text):
    x, y, side = DESIGNS["card"].label_mm
    assert seen(laid_at(sheet_picture("card", PX_PER_MM), code_of(text, side), x, y)) is None


def test_our_own_code_anywhere_but_in_its_place_is_no_label(pictures):
    """Another sheet's label cut out and laid on the sheet, upright beside its place or askew on it, or
    lying on the ground."""
    label = encode(LABELS[29]).decode()
    blank = sheet_picture("card", PX_PER_MM)
    assert seen(laid_at(blank, code_of(label, 35.0), 10.0, -25.0)) is None
    x, y, side = DESIGNS["card"].label_mm
    assert seen(laid_at(blank, code_of(label, 35.0), x - 3.0, y + 3.0)) is None
    assert seen(laid_at(blank, np.rot90(code_of(label, side)), x, y)) is None
    assert seen(laid_at(blank, code_of(label, 20.0), x + 5, y + 5)) is None


def test_somebody_elses_code_beside_a_label_does_no_harm(pictures):
    assert seen(laid_at(pictures[29], code_of("https://example.org", 28.0), 14.0, -24.0)) == LABELS[29]


@pytest.mark.slow
def test_random_modules_are_no_label_and_no_fault():
    """Codes with the right marks and format and random or flipped modules: OpenCV's decoder gets
    them as they are."""
    rng = np.random.default_rng(4)
    x, y, side = DESIGNS["card"].label_mm
    blank = sheet_picture("card", PX_PER_MM)
    for i in range(12):
        label = list(LABELS.values())[i % 3]
        code = qr_modules(encode(label)).copy()
        n = len(code)
        data = np.ones((n, n), bool)
        data[:9, :9] = data[:9, -8:] = data[-8:, :9] = False
        flip = data & (rng.random((n, n)) < (0.5 if i % 2 else 0.04))
        picture = np.kron(
            np.where(np.pad(code ^ flip, 4), 0, 255).astype(np.uint8), np.ones((8, 8), np.uint8)
        )
        picture = cv2.resize(picture, (int(side * PX_PER_MM),) * 2, interpolation=cv2.INTER_NEAREST)
        assert seen(laid_at(blank, picture, x, y)) in (None, label)


# --- through the whole judgement -----------------------------------------------------------------


def test_a_refused_photo_still_says_where_it_belongs():
    from anodewane.judgement.pipeline import judge
    from anodewane.testing import EmptySegmenter, encode_jpeg

    camera = camera_at()
    rgb, _ = exact_sheet_photo(camera, "card", [], width=WIDTH, height=HEIGHT, label=LABELS[29])
    verdict = judge(
        load_photo(encode_jpeg(rgb, f35=26), "x.jpg"), None, method=Method(segmenter=EmptySegmenter())
    )
    assert verdict.status == "cannot_judge"
    assert verdict.label == LABELS[29]
    bare, _ = exact_sheet_photo(camera, "card", [], width=WIDTH, height=HEIGHT)
    assert (
        judge(
            load_photo(encode_jpeg(bare, f35=26), "x.jpg"), None, method=Method(segmenter=EmptySegmenter())
        ).label
        is None
    )
