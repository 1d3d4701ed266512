"""Proof of who packed a bag: an OpenSSH signature (PROTOCOL.sshsig) over its tag manifest, made and
checked by `ssh-keygen -Y`, which nearly every computer has.

The key stays where it is: ssh-keygen reads it, asks for its passphrase or its hardware token itself,
and also takes a public key whose private half an agent holds.
"""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

from anodewane.errors import InputUnreadable, UsageError
from anodewane.evidence.bag import MAX_TAG_BYTES, TAG_MANIFEST, read_plain

SIGNATURE = "signature/tagmanifest-sha256.txt.sig"
NAMESPACE = "anodewane-evidence"
"""Keeps a signature made for something else from standing for a bag (PROTOCOL.sshsig, section 2)."""

SECONDS = 600
"""For typing a passphrase or touching a token."""


@dataclass(frozen=True, slots=True)
class Signature:
    """What a bag's signature says. holds : it is over this bag's tag manifest; key : kind and
    fingerprint of the key; signer : whose key that is by the file of signers that was given, None when
    none was or it isn't in it; why : what is wrong."""

    holds: bool
    key: str | None
    signer: str | None
    why: str | None


def _program() -> str:
    found = shutil.which("ssh-keygen")
    if found is None:
        raise UsageError(
            "Signatures need the program ssh-keygen, which isn't there.",
            "Install OpenSSH (8.2 or newer): the package openssh-client, or Windows' own optional feature.",
        )
    return found


def _run(arguments: list[str], data: bytes) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
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
    path = bag / SIGNATURE
    if path.parent.is_symlink() or path.is_symlink():
        raise InputUnreadable(f"'{SIGNATURE}' in the bag is a link.", "Check where the bag comes from.")
    path.parent.mkdir(exist_ok=True)
    write_atomic(path, done.stdout)
    found = check_signature(bag)
    assert found is not None
    return found


def check_signature(bag: Path, signers: Path | None = None) -> Signature | None:
    """What a bag's signature says, None when it has none.

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
    path = bag / SIGNATURE
    if not path.exists() and not path.is_symlink():
        return None
    try:
        made = read_plain(path, 100_000)
    except OSError:
        return Signature(False, None, None, "the signature can't be read")
    sealed = _sealed(bag)
    import tempfile

    with tempfile.TemporaryDirectory(prefix="anodewane-") as folder:
        # ssh-keygen opens the file by its name: a copy is what was read
        copy = Path(folder) / "bag.sig"
        copy.write_bytes(made)
        bare = _run(["-Y", "check-novalidate", "-n", NAMESPACE, "-s", str(copy)], sealed)
        if bare.returncode != 0:
            return Signature(False, None, None, "it isn't over this bag as it is now")
        key = _words(bare).split(" with ", 1)[-1].replace(" key ", " ")
        if signers is None:
            return Signature(True, key, None, None)
        if not signers.is_file():
            raise InputUnreadable(
                f"There is no file of signers '{signers}'.",
                "Give OpenSSH's allowed signers: lines of a name and a public key.",
            )
        who = _run(["-Y", "find-principals", "-f", str(signers.resolve()), "-s", str(copy)], b"")
        names = who.stdout.decode("utf-8", "replace").split()
        if who.returncode != 0 or not names:
            return Signature(True, key, None, "its key isn't one of the signers given")
        for name in names:
            if (
                _run(
                    [
                        "-Y",
                        "verify",
                        "-n",
                        NAMESPACE,
                        "-f",
                        str(signers.resolve()),
                        "-I",
                        name,
                        "-s",
                        str(copy),
                    ],
                    sealed,
                ).returncode
                == 0
            ):
                return Signature(True, key, name, None)
        return Signature(True, key, None, "its key isn't allowed to sign this, or no longer")


def _words(done: subprocess.CompletedProcess[bytes]) -> str:
    text = (done.stdout + b"\n" + done.stderr).decode("utf-8", "replace").strip().splitlines()
    return " ".join("".join(c for c in (text[0] if text else "no reason given") if c.isprintable()).split())[
        :200
    ].rstrip(".")
