"""The segmenter's model file: found beside the code, checked against its lock, handed out as bytes.
Never downloaded, never replaced by another."""

from __future__ import annotations

import hashlib
import json
from functools import lru_cache
from pathlib import Path
from typing import Any

from anodewane.errors import ModelError

MODEL_FILE = "segmenter.onnx"
LOCK_FILE = "segmenter.lock.json"
LOCK_FORMAT = 1
REINSTALL = (
    "Install anodewane again; a model of your own goes in with its own lock file, made by models/training "
    "(see models/training/README.md)."
)


def model_folder() -> Path:
    """Return the folder that holds the model: the installed package's own `models`, else the top-level
    one of a checkout."""
    here = Path(__file__).resolve().parents[1]
    for folder in (here / "models", here.parent.parent / "models"):
        if (folder / LOCK_FILE).is_file() or (folder / MODEL_FILE).is_file():
            return folder
    return here / "models"


def load_model_bytes(folder: Path | None = None) -> tuple[bytes, dict[str, Any]]:
    """Read the model and its lock, and hold the one against the other before anything opens it.

    Parameters
    ----------
    folder : Path, optional
        Where to look; default `model_folder()`.

    Returns
    -------
    tuple
        The ONNX file's bytes, and the lock as a dict ("sha256", "input", "output", "classes",
        "normalisation", ...).

    Raises
    ------
    ModelError
        A file is missing or unreadable, or the model isn't the one that the lock names.
    """
    folder = model_folder() if folder is None else folder
    try:
        lock = json.loads((folder / LOCK_FILE).read_text(encoding="utf-8"))
    except FileNotFoundError as e:
        raise ModelError(f"The segmenter's lock file {LOCK_FILE} is missing from {folder}.", REINSTALL) from e
    except (OSError, ValueError) as e:
        raise ModelError(
            f"The segmenter's lock file {LOCK_FILE} in {folder} can't be read: {e}.", REINSTALL
        ) from e
    if (
        not isinstance(lock, dict)
        or lock.get("format") != LOCK_FORMAT
        or not isinstance(lock.get("sha256"), str)
    ):
        raise ModelError(
            f"The segmenter's lock file {LOCK_FILE} in {folder} isn't of format {LOCK_FORMAT}.", REINSTALL
        )
    try:
        data = (folder / MODEL_FILE).read_bytes()
    except FileNotFoundError as e:
        raise ModelError(f"The segmenter's model {MODEL_FILE} is missing from {folder}.", REINSTALL) from e
    except OSError as e:
        raise ModelError(
            f"The segmenter's model {MODEL_FILE} in {folder} can't be read: {e}.", REINSTALL
        ) from e
    found = hashlib.sha256(data).hexdigest()
    if found != lock["sha256"]:
        raise ModelError(
            f"The segmenter's model is altered: its SHA-256 is {found[:16]}…, the lock says "
            f"{lock['sha256'][:16]}….",
            REINSTALL,
        )
    return data, lock


def open_session(data: bytes, lock: dict[str, Any]) -> Any:
    """Open checked bytes with onnxruntime on one CPU thread, and hold names and shapes against the lock.

    Raises
    ------
    ModelError
        onnxruntime can't open it, or its input and output aren't as the lock says.
    """
    import onnxruntime as ort

    options = ort.SessionOptions()
    options.intra_op_num_threads = 1
    options.inter_op_num_threads = 1
    options.log_severity_level = 3
    try:
        session = ort.InferenceSession(data, sess_options=options, providers=["CPUExecutionProvider"])
    except Exception as e:  # onnxruntime raises its own classes, which differ by version
        raise ModelError(
            f"The segmenter's model can't be opened: {str(e).splitlines()[0]}.", REINSTALL
        ) from e
    for kind, values in (("input", session.get_inputs()), ("output", session.get_outputs())):
        want = lock.get(kind, {})
        got = (
            {"name": values[0].name, "shape": [d if isinstance(d, int) else None for d in values[0].shape]}
            if len(values) == 1
            else {"names": [v.name for v in values]}
        )
        if got != {"name": want.get("name"), "shape": want.get("shape")}:
            raise ModelError(f"The segmenter's model has the {kind} {got}, the lock says {want}.", REINSTALL)
    return session


@lru_cache(maxsize=1)
def shared_session() -> tuple[Any, dict[str, Any]]:
    """Return the shipped model's session and lock, opened once a process."""
    data, lock = load_model_bytes()
    return open_session(data, lock), lock
