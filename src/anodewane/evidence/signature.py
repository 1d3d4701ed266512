"""Proof of who packed a bag: an OpenSSH signature (PROTOCOL.sshsig) over its tag manifest, made and
checked by `ssh-keygen -Y`, which nearly every computer has.

The key stays where it is: ssh-keygen reads it, asks for its passphrase or its hardware token itself,
and also takes a public key whose private half an agent holds.
"""

from __future__ import annotations

import contextlib
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from anodewane.errors import InputUnreadable, UsageError
from anodewane.evidence.bag import MAX_TAG_BYTES, TAG_MANIFEST, read_plain

FOLDER = "signature"
"""Holds a signature a key, named by the key."""

NAMESPACE = "anodewane-evidence"
"""Keeps a signature made for something else from standing for a bag (PROTOCOL.sshsig, section 2)."""

MAX_SIGNATURES = 50
SECONDS = 600
"""For typing a passphrase or touching a token."""


@dataclass(frozen=True, slots=True)
class Signature:
    """What one of a bag's signatures says."""

    holds: bool
    """It is over this bag's tag manifest."""
    key: str | None
    """Kind and fingerprint of the key."""
    signer: str | None
    """Whose key that is by the file of signers that was given; None when none was or it isn't in it."""
    why: str | None
    """What is wrong."""


def _program() -> str:
    found = shutil.which("ssh-keygen")
    if found is None:
        raise UsageError(
            "Signatures need the program ssh-keygen, which isn't there.",
            "Install OpenSSH (8.2 or newer): the package openssh-client, or Windows' own optional feature.",
        )
    return found


def _run(arguments: list[str], data: bytes) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(  # noqa: S603 - ssh-keygen by its path, without a shell
        [_program(), *arguments], input=data, capture_output=True, check=False, timeout=SECONDS
    )


def _sealed(bag: Path) -> bytes:
    try:
        return read_plain(bag / TAG_MANIFEST, MAX_TAG_BYTES)
    except OSError as e:
        raise InputUnreadable(
            f"The bag '{bag.name}' has no {TAG_MANIFEST} that can be read.",
            "Name the folder that 'anodewane evidence pack' wrote.",
        ) from e


def sign(bag: Path, key: Path) -> Signature:
    """Sign a bag with a private key (or a public key whose private half an agent holds).

    Raises
    ------
    UsageError
        ssh-keygen is missing or can't use the key.
    InputUnreadable, OutputNotWritable
    """
    from anodewane.files import write_atomic

    sealed = _sealed(bag)
    if not key.is_file():
        raise InputUnreadable(
            f"There is no key '{key}'.",
            "Name a private key, such as ~/.ssh/id_ed25519; 'ssh-keygen -t ed25519' makes one.",
        )
    done = _run(["-Y", "sign", "-n", NAMESPACE, "-f", str(key.resolve())], sealed)
    if done.returncode != 0 or not done.stdout.startswith(b"-----BEGIN SSH SIGNATURE-----"):
        raise UsageError(
            f"The key '{key.name}' can't sign: {_words(done)}.",
            "Name a private key that ssh-keygen can use, or its public half with the agent running.",
        )
    key_words = _key_of(done.stdout, sealed)
    name = re.sub(r"[^A-Za-z0-9]+", "-", key_words or "").strip("-") or "key"
    path = bag / FOLDER / f"{name}.sig"
    if path.parent.is_symlink() or path.is_symlink():
        raise InputUnreadable(
            f"'{FOLDER}/{path.name}' in the bag is a link.", "Check where the bag comes from."
        )
    path.parent.mkdir(exist_ok=True)
    write_atomic(path, done.stdout)
    return _check(path, sealed, None)


def check_signatures(bag: Path, signers: Path | None = None) -> tuple[Signature, ...]:
    """What a bag's signatures say, one after the other by the names of their files.

    Parameters
    ----------
    signers : Path, optional
        Whose keys are believed: OpenSSH's "allowed signers" file, lines of "name key".

    Raises
    ------
    UsageError
        ssh-keygen is missing.
    InputUnreadable
        The file of signers can't be read.
    """
    folder = bag / FOLDER
    if folder.is_symlink() or not folder.is_dir():
        return ()
    if signers is not None and not signers.is_file():
        raise InputUnreadable(
            f"There is no file of signers '{signers}'.",
            "Give OpenSSH's allowed signers: lines of a name and a public key.",
        )
    found = sorted(f for f in folder.iterdir() if f.name.endswith(".sig"))
    return tuple(_check(f, _sealed(bag), signers) for f in found[:MAX_SIGNATURES])


def _check(path: Path, sealed: bytes, signers: Path | None) -> Signature:
    try:
        made = read_plain(path, 100_000)
    except OSError:
        return Signature(False, None, None, "the signature can't be read")
    key = _key_of(made, sealed)
    if key is None:
        return Signature(False, None, None, "it isn't over this bag as it is now")
    if signers is None:
        return Signature(True, key, None, None)
    with _as_file(made) as copy:
        file = str(signers.resolve())
        who = _run(["-Y", "find-principals", "-f", file, "-s", copy], b"")
        names = who.stdout.decode("utf-8", "replace").split()
        if who.returncode != 0 or not names:
            return Signature(True, key, None, "its key isn't one of the signers given")
        for name in names:
            asked = ["-Y", "verify", "-n", NAMESPACE, "-f", file, "-I", name, "-s", copy]
            if _run(asked, sealed).returncode == 0:
                return Signature(True, key, name, None)
    return Signature(True, key, None, "its key isn't allowed to sign this, or no longer")


def _key_of(made: bytes, sealed: bytes) -> str | None:
    """Kind and fingerprint of the key of a signature over `sealed`; None where it is over something else."""
    with _as_file(made) as copy:
        bare = _run(["-Y", "check-novalidate", "-n", NAMESPACE, "-s", copy], sealed)
    return None if bare.returncode != 0 else _words(bare).split(" with ", 1)[-1].replace(" key ", " ")


@contextlib.contextmanager
def _as_file(made: bytes) -> Iterator[str]:
    """ssh-keygen opens a signature by its name: a copy is what was read."""
    with tempfile.TemporaryDirectory(prefix="anodewane-") as folder:
        copy = Path(folder) / "bag.sig"
        copy.write_bytes(made)
        yield str(copy)


def _words(done: subprocess.CompletedProcess[bytes]) -> str:
    text = (done.stdout + b"\n" + done.stderr).decode("utf-8", "replace").strip().splitlines()
    return " ".join("".join(c for c in (text[0] if text else "no reason given") if c.isprintable()).split())[
        :200
    ].rstrip(".")
