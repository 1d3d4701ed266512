"""BagIt bags (RFC 8493, version 1.0): written whole or not at all, and read as if someone hostile
had packed them.

Own code, because the known library moves the files that it packs and follows whatever a manifest names;
tests hold our bags against it. Of a bag that is read nothing is followed: links and special files are
refused unopened, names must stay inside, sizes are limited, and every file that a manifest names or
forgets is told by name.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import shutil
import stat
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from anodewane.errors import InputUnreadable, OutputNotWritable

DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
MANIFEST, TAG_MANIFEST, INFO, DECLARATION_FILE = (
    "manifest-sha256.txt",
    "tagmanifest-sha256.txt",
    "bag-info.txt",
    "bagit.txt",
)
ADDED_LATER = ("stamp/", "signature/")
"""Tag files that prove the tag manifest and so can't stand in it."""

MAX_TAG_BYTES = 64_000_000
MAX_FILES = 200_000
MAX_DEPTH = 32
STRONG = ("sha512", "sha256")
"""What is believed. SHA-1 and MD5 can be forged, so a bag with those alone proves nothing."""

FaultKind = Literal["changed", "missing", "extra", "refused", "wrong"]


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with a bag."""

    kind: FaultKind
    """A file that is changed, missing or extra; something refused unopened; or wrong in itself."""
    file: str | None
    """Its name in the bag, None for the bag as a whole."""
    text: str


@dataclass(frozen=True, slots=True)
class BagFile:
    """A file to be packed."""

    name: str
    """In the bag: "data/..."."""
    content: bytes | Path | Callable[[], bytes]
    """Its bytes, where they lie, or a way to make them when their turn comes."""


# --- writing -------------------------------------------------------------------------------------


def safe_name(name: str, most: int = 60) -> str:
    """A file name that every disk takes (RFC 8493 6.1): ASCII letters, digits, dot, minus and
    underline; its ending kept."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    plain = re.sub(r"[^A-Za-z0-9._-]+", "_", plain).strip("._-") or "file"
    if len(plain) > most:
        stem, dot, ending = plain.rpartition(".")
        plain = f"{stem[: most - len(ending) - 1]}.{ending}" if dot and len(ending) <= 8 else plain[:most]
    return plain


def write_bag(folder: Path, files: Sequence[BagFile], info: Sequence[tuple[str, str]]) -> str:
    """Write a bag: beside its place first, then renamed into it.

    Parameters
    ----------
    folder : Path
        Must not be there yet, or be empty.
    files : sequence of BagFile
        Names begin with "data/".
    info : sequence of (label, value)
        For bag-info.txt; Payload-Oxum is added.

    Returns
    -------
    str
        SHA-256 of the tag manifest: it stands for the whole bag.

    Raises
    ------
    OutputNotWritable
    """
    if folder.is_symlink() or (folder.exists() and (not folder.is_dir() or any(folder.iterdir()))):
        raise OutputNotWritable(
            f"There is something at '{folder}' already.",
            "Name a folder that isn't there yet: a bag is packed once and never changed.",
        )
    parent = folder.resolve().parent
    if not parent.is_dir():
        raise OutputNotWritable(
            f"There is no folder '{parent}' to pack '{folder.name}' into.",
            "Make the folder first, or pack elsewhere.",
        )
    building = parent / f".{folder.name[:40]}.{secrets.token_hex(4)}.part"
    try:
        building.mkdir()
        try:
            total = 0
            lines = []
            for f in files:
                path = building / f.name
                path.parent.mkdir(parents=True, exist_ok=True)
                digest, size = _put(path, f.content)
                total += size
                lines.append((f.name, digest))
            labels = [*info, ("Payload-Oxum", f"{total}.{len(files)}")]
            tags = {
                DECLARATION_FILE: DECLARATION,
                INFO: "".join(f"{label}: {_one_line(value)}\n" for label, value in labels).encode(),
                MANIFEST: _manifest(lines),
            }
            for name, content in tags.items():
                _put(building / name, content)
            tag_manifest = _manifest(
                [(name, hashlib.sha256(content).hexdigest()) for name, content in tags.items()]
            )
            _put(building / TAG_MANIFEST, tag_manifest)
            if folder.exists():
                folder.rmdir()
            building.replace(folder)
        except BaseException:
            shutil.rmtree(building, ignore_errors=True)
            raise
    except OSError as e:
        raise OutputNotWritable(
            f"The bag '{folder}' can't be written: {e.strerror or e}.",
            "Pack elsewhere, free some space, or change the folder's permissions.",
        ) from e
    return hashlib.sha256(tag_manifest).hexdigest()


def _put(path: Path, content: bytes | Path | Callable[[], bytes]) -> tuple[str, int]:
    """Write a file through to the disk; SHA-256 and size of what was written."""
    digest, size = hashlib.sha256(), 0
    if callable(content):
        content = content()
    with path.open("xb") as out:
        if isinstance(content, bytes):
            out.write(content)
            digest.update(content)
            size = len(content)
        else:
            with content.open("rb") as f:
                while block := f.read(1 << 20):
                    out.write(block)
                    digest.update(block)
                    size += len(block)
        out.flush()
        os.fsync(out.fileno())
    return digest.hexdigest(), size


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _manifest(lines: Iterable[tuple[str, str]]) -> bytes:
    return "".join(f"{digest}  {_coded(name)}\n" for name, digest in sorted(lines)).encode()


def _coded(name: str) -> str:
    """RFC 8493 2.1.3: a carriage return, line feed or per cent sign in a name is percent-encoded."""
    return name.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _decoded(name: str) -> str:
    return re.sub(
        "%(0[dD]|0[aA]|25)", lambda m: {"0d": "\r", "0a": "\n", "25": "%"}[m.group(1).lower()], name
    )


# --- reading -------------------------------------------------------------------------------------


class PlainFiles:
    """What lies in a bag's folder, nothing followed: plain files with their sizes, and what was refused."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.sizes: dict[str, int] = {}
        self.faults: list[Fault] = []
        self._walk(folder, "", 0)

    def _walk(self, folder: Path, above: str, depth: int) -> None:
        if depth > MAX_DEPTH:
            self.faults.append(
                Fault("refused", above.rstrip("/"), f"Folders more than {MAX_DEPTH} deep aren't gone into.")
            )
            return
        try:
            with os.scandir(folder) as entries:
                for entry in sorted(entries, key=lambda e: e.name):
                    name = above + os.fsencode(entry.name).decode("utf-8", "surrogateescape")
                    mode = entry.stat(follow_symlinks=False).st_mode
                    if stat.S_ISLNK(mode):
                        self.faults.append(
                            Fault("refused", name, "A link, which may lead anywhere, isn't followed.")
                        )
                    elif stat.S_ISDIR(mode):
                        self._walk(folder / entry.name, name + "/", depth + 1)
                    elif stat.S_ISREG(mode):
                        self.sizes[name] = entry.stat(follow_symlinks=False).st_size
                    else:
                        self.faults.append(
                            Fault("refused", name, "Neither a file nor a folder: it isn't opened.")
                        )
                    if len(self.sizes) > MAX_FILES:
                        raise InputUnreadable(
                            f"The bag holds more than {MAX_FILES} files.",
                            "Check that the folder is a bag that 'anodewane evidence pack' wrote.",
                        )
        except OSError as e:
            self.faults.append(
                Fault("refused", above.rstrip("/") or None, f"The folder can't be read: {e.strerror or e}.")
            )


def open_plain(path: Path) -> int:
    """Open a plain file for reading without following a link or waiting for a pipe; a file descriptor.

    Raises
    ------
    OSError
    """
    handle = os.open(
        path,
        os.O_RDONLY
        | getattr(os, "O_NOFOLLOW", 0)
        | getattr(os, "O_NONBLOCK", 0)
        | getattr(os, "O_BINARY", 0),
    )
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise OSError(0, "not a plain file")
    return handle


def read_plain(path: Path, most: int) -> bytes:
    """The content of a plain file of at most `most` bytes.

    Raises
    ------
    OSError
        Can't be opened, or larger.
    """
    with os.fdopen(open_plain(path), "rb") as f:
        data = f.read(most + 1)
    if len(data) > most:
        raise OSError(0, f"larger than {most} bytes")
    return data


def payload_names(folder: Path) -> frozenset[str]:
    """Names under data/ that lie in the bag as plain files: the only ones that an index may name."""
    return frozenset(n for n in PlainFiles(folder).sizes if n.startswith("data/"))


def check_bag(folder: Path) -> tuple[Fault, ...]:
    """Hold a bag against its manifests. Empty when it is valid (RFC 8493 section 3).

    Raises
    ------
    InputUnreadable
        There is no such folder, or it isn't a bag at all.
    """
    if folder.is_symlink() or not folder.is_dir():
        raise InputUnreadable(
            f"There is no bag '{folder.name}'.",
            "Name the folder that 'anodewane evidence pack' wrote; unzip it first if it came as one file.",
        )
    found = PlainFiles(folder)
    if DECLARATION_FILE not in found.sizes:
        raise InputUnreadable(
            f"The folder '{folder.name}' isn't a bag: it has no {DECLARATION_FILE}.",
            "Name the folder that 'anodewane evidence pack' wrote.",
        )
    faults = list(found.faults)
    faults += _declaration(folder)
    if "fetch.txt" in found.sizes:
        faults.append(
            Fault(
                "refused",
                "fetch.txt",
                "The bag asks for files to be fetched from elsewhere, which isn't done.",
            )
        )
    digests: dict[tuple[str, str], str] = {}
    strong = False
    for name in sorted(found.sizes):
        kind = re.fullmatch(r"(tag)?manifest-([a-z0-9]+)\.txt", name)
        if kind is None:
            continue
        tag, algorithm = bool(kind.group(1)), kind.group(2)
        if algorithm not in ("sha512", "sha256", "sha1", "md5"):
            faults.append(Fault("refused", name, f"The checksum '{algorithm}' isn't known here."))
            continue
        strong = strong or (algorithm in STRONG and not tag)
        listed, wrong = _read_manifest(folder, name, algorithm, tag)
        faults += wrong
        faults += _hold(folder, found, name, listed, algorithm, tag, digests)
    if not strong:
        faults.append(
            Fault("wrong", None, "No manifest by SHA-256 or SHA-512 lists the payload, so nothing is proved.")
        )
    if not any(re.fullmatch(r"tagmanifest-sha(256|512)\.txt", n) for n in found.sizes):
        faults.append(
            Fault(
                "wrong",
                None,
                "No tag manifest by SHA-256 or SHA-512: the manifest itself could have been changed.",
            )
        )
    faults += _oxum(folder, found)
    return tuple(dict.fromkeys(faults))


def _declaration(folder: Path) -> list[Fault]:
    try:
        text = read_plain(folder / DECLARATION_FILE, 10_000).decode("ascii")
    except (OSError, UnicodeDecodeError):
        return [
            Fault("wrong", DECLARATION_FILE, "It isn't two lines of plain text without a byte-order mark.")
        ]
    lines = text.splitlines()
    if len(lines) != 2 or not re.fullmatch(r"BagIt-Version: (1\.0|0\.97)", lines[0].strip()):
        return [Fault("wrong", DECLARATION_FILE, "It doesn't declare BagIt version 1.0 or 0.97.")]
    if lines[1].strip().lower() != "tag-file-character-encoding: utf-8":
        return [
            Fault(
                "refused", DECLARATION_FILE, "Its tag files aren't in UTF-8, which is all that is read here."
            )
        ]
    return []


def _read_manifest(folder: Path, name: str, algorithm: str, tag: bool) -> tuple[dict[str, str], list[Fault]]:
    """Names with their checksums, and what is wrong with the list itself."""
    faults: list[Fault] = []
    try:
        text = read_plain(folder / name, MAX_TAG_BYTES).decode("utf-8")
    except UnicodeDecodeError:
        return {}, [Fault("refused", name, "It isn't text in UTF-8.")]
    except OSError as e:
        return {}, [Fault("refused", name, f"It can't be read: {e.strerror or e}.")]
    listed: dict[str, str] = {}
    length = hashlib.new(algorithm, usedforsecurity=False).digest_size * 2
    seen: set[str] = set()
    for number, line in enumerate(text.split("\n"), start=1):
        line = line.removesuffix("\r")
        if not line.strip():
            continue
        split = re.fullmatch(r"([0-9A-Fa-f]+)[ \t]+\*?(.+)", line)
        if split is None or len(split.group(1)) != length:
            faults.append(Fault("wrong", name, f"Line {number} isn't a checksum and a name."))
            continue
        file = _decoded(split.group(2))
        why = _unsafe(file, tag)
        if why:
            faults.append(Fault("refused", file, f"{name} line {number}: {why}"))
            continue
        folded = unicodedata.normalize("NFC", file).casefold()
        if file in listed or folded in seen:
            faults.append(
                Fault("wrong", file, f"{name} names it twice, or two names that some disks take for one.")
            )
            continue
        seen.add(folded)
        listed[file] = split.group(1).lower()
        if len(listed) > MAX_FILES:
            return {}, [Fault("refused", name, f"It lists more than {MAX_FILES} files.")]
    return listed, faults


def _unsafe(file: str, tag: bool) -> str | None:
    """Why a name in a manifest is refused."""
    parts = file.split("/")
    if file.startswith(("/", "~")) or "\\" in file or re.match(r"[A-Za-z]:", file):
        return "the name leads out of the bag."
    if any(p in ("", ".", "..") for p in parts):
        return "the name goes up or nowhere."
    if any(unicodedata.category(c) == "Cc" and c not in "\r\n" for c in file):
        return "the name holds control characters."
    if len(file.encode("utf-8", "surrogateescape")) > 4096:
        return "the name is too long."
    if tag == (parts[0] == "data"):
        return "a payload file in the tag manifest." if tag else "only files under data/ belong there."
    if tag and re.fullmatch(r"tagmanifest-[a-z0-9]+\.txt", file):
        return "a tag manifest can't list itself."
    return None


def _hold(
    folder: Path,
    found: PlainFiles,
    manifest: str,
    listed: dict[str, str],
    algorithm: str,
    tag: bool,
    digests: dict[tuple[str, str], str],
) -> list[Fault]:
    """Files against one manifest."""
    faults = []
    refused = {f.file for f in found.faults}
    for file, want in listed.items():
        if file not in found.sizes:
            if file not in refused:
                faults.append(Fault("missing", file, f"{manifest} lists it, but it isn't there."))
            continue
        if (file, algorithm) not in digests:
            try:
                with os.fdopen(open_plain(folder / file), "rb") as f:
                    digests[file, algorithm] = hashlib.file_digest(
                        f, lambda: hashlib.new(algorithm, usedforsecurity=False)
                    ).hexdigest()
            except OSError as e:
                faults.append(Fault("refused", file, f"It can't be read: {e.strerror or e}."))
                continue
        if digests[file, algorithm] != want:
            faults.append(Fault("changed", file, f"Its content isn't what {manifest} says."))
    for file in found.sizes:
        payload = file.startswith("data/")
        if file in listed or payload == tag:
            continue
        if tag and (file.startswith(ADDED_LATER) or re.fullmatch(r"tagmanifest-[a-z0-9]+\.txt", file)):
            continue
        faults.append(Fault("extra", file, f"It is in the bag, but {manifest} doesn't list it."))
    return faults


def _oxum(folder: Path, found: PlainFiles) -> list[Fault]:
    """Payload-Oxum of bag-info.txt: octets and number of files."""
    if INFO not in found.sizes:
        return []
    try:
        text = read_plain(folder / INFO, MAX_TAG_BYTES).decode("utf-8")
    except (OSError, UnicodeDecodeError):
        return [Fault("refused", INFO, "It isn't text in UTF-8.")]
    said = re.search(r"^Payload-Oxum:\s*(\d{1,20})\.(\d{1,12})\s*$", text, re.MULTILINE | re.IGNORECASE)
    sizes = [s for n, s in found.sizes.items() if n.startswith("data/")]
    if said and (int(said.group(1)), int(said.group(2))) != (sum(sizes), len(sizes)):
        return [
            Fault(
                "wrong",
                INFO,
                f"It says {said.group(2)} files of {said.group(1)} bytes in all; "
                f"there are {len(sizes)} of {sum(sizes)}.",
            )
        ]
    return []
