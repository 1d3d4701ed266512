"""Rigid motions, held to OpenCV's affine transform and to numpy's inverse."""

from __future__ import annotations

import pickle

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anodewane.geometry.motion import Motion

POINTS = np.random.default_rng(1).uniform(-60, 60, (20, 2))

motions = st.builds(
    lambda angle, x, y, mirrored: Motion.of(angle, (x, y), mirrored=mirrored),
    st.floats(-3.14, 3.14),
    st.floats(-300, 300),
    st.floats(-300, 300),
    st.booleans(),
)


@given(motions)
def test_a_motion_moves_points_as_opencv_does(motion: Motion) -> None:
    want = cv2.transform(POINTS[None], motion.matrix)[0]
    assert np.allclose(motion.apply(POINTS), want)
    assert np.allclose(motion.apply(POINTS[0]), want[0])
    assert np.allclose(motion.along(POINTS[1] - POINTS[0]), want[1] - want[0])


@given(motions, motions)
def test_inverse_and_composition_are_those_of_the_matrices(a: Motion, b: Motion) -> None:
    whole = [np.vstack([m.matrix, [0, 0, 1]]) for m in (a, b)]
    assert np.allclose(a.inverse().matrix, np.linalg.inv(whole[0])[:2])
    assert np.allclose(a.compose(b).matrix, (whole[0] @ whole[1])[:2])
    assert np.allclose(a.inverse().apply(a.apply(POINTS)), POINTS)


@given(st.floats(-3.14, 3.14), st.booleans())
def test_angle_and_hand_are_what_it_was_made_from(angle: float, mirrored: bool) -> None:
    motion = Motion.of(angle, (1.0, 2.0), mirrored=mirrored)
    assert motion.angle_rad == pytest.approx(angle)
    assert motion.mirrored == mirrored
    assert np.linalg.det(motion.turn) == pytest.approx(-1.0 if mirrored else 1.0)


def test_what_is_no_rigid_motion_is_refused() -> None:
    with pytest.raises(ValueError, match="orthonormal"):
        Motion(np.diag([1.0, 1.1]), np.zeros(2))
    with pytest.raises(ValueError, match="shift: expected finite"):
        Motion(np.eye(2), np.array([np.nan, 0.0]))
    with pytest.raises(ValueError, match="turn: expected"):
        Motion(np.eye(3), np.zeros(2))


def test_it_keeps_a_copy_that_nobody_changes() -> None:
    turn = np.eye(2)
    motion = pickle.loads(pickle.dumps(Motion(turn, np.zeros(2))))
    turn[0, 0] = 9.0
    assert motion.turn[0, 0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        motion.shift[0] = 1.0
