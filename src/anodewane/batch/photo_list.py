"""photos.csv: what a person says about photos and folders, beside the photos. One row a photo, or a
folder for all that lies in it."""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

from anodewane.batch.place import Place, shown_name
from anodewane.errors import UsageError

LIST_NAME = "photos.csv"
COLUMNS = ("file", "boat", "position", "template", "weighed_g", "thickness_mm")


@dataclass(frozen=True, slots=True)
class ListRow:
    """One row. target : the photo's name, or a folder's ending in "/" ("" for everything); values :
    column -> text, empty cells left out."""

    target: str
    values: dict[str, str]
    list_name: str
    line: int

    @property
    def where(self) -> str:
        return f"{shown_name(self.list_name)}, line {self.line}"

    @property
    def folder(self) -> str:
        """The folder that the list lies in, as in template files' paths."""
        return self.list_name[: self.list_name.rfind("/") + 1]


@dataclass(frozen=True, slots=True)
class Said:
    """What the lists say about one photo, each value with the row that says it."""

    values: dict[str, tuple[str, ListRow]]

    def text(self, column: str) -> str | None:
        return self.values[column][0] if column in self.values else None

    def number(self, column: str) -> float | None:
        """A number above 0. UsageError."""
        if column not in self.values:
            return None
        text, row = self.values[column]
        try:
            number = float(text.replace(",", ".", 1) if "." not in text else text)
        except ValueError:
            number = 0.0
        if not 0 < number < 1e6:
            raise UsageError(
                f"{row.where}: '{text}' in the column {column} isn't a number above 0.",
                "Write it as 412 or 412.5, without unit.",
            )
        return number


@dataclass(slots=True)
class PhotoLists:
    """Every photos.csv of a place."""

    files: dict[str, list[ListRow]]
    folders: dict[str, list[ListRow]]
    notes: list[str]

    def about(self, name: str) -> Said:
        """What holds for a photo: its own row before its folder's, an inner folder's before an outer
        one's, an inner list's before an outer one's."""
        rows = list(self.files.get(name, ()))
        at = len(name)
        while at > 0:
            at = name.rfind("/", 0, max(at - 1, 0)) + 1
            rows += self.folders.get(name[:at], ())
            if at == 0:
                break
        values: dict[str, tuple[str, ListRow]] = {}
        for row in rows:
            for column, value in row.values.items():
                values.setdefault(column, (value, row))
        return Said(values)


def read_lists(
    source: Place, lists: Iterable[str], files: Iterable[str], folders: Iterable[str]
) -> PhotoLists:
    """Read the lists of those names.

    Parameters
    ----------
    files, folders : str
        Every file of the place and every folder (ending in "/", "" for the place itself), to which
        rows may refer.

    Raises
    ------
    UsageError
        A list that isn't CSV in UTF-8 or has no column "file".
    """
    known_files, known_folders = _Names(files), _Names(folders)
    found = PhotoLists({}, {}, [])
    for list_name in sorted(
        lists, key=lambda n: (-n.count("/"), n)
    ):  # inner lists first: theirs is the first word
        for row in _rows(source.read(list_name), list_name, found.notes):
            folder = row.folder
            wanted = row.target.replace("\\", "/").removeprefix("./")
            if wanted in ("", "."):
                found.folders.setdefault(folder, []).append(_at(row, folder))
            elif (name := known_files.find(folder + wanted)) is not None:
                _add_file(found, _at(row, name))
            elif (name := known_folders.find(folder + wanted.rstrip("/") + "/")) is not None:
                found.folders.setdefault(name, []).append(_at(row, name))
            else:
                found.notes.append(f"{row.where}: there is no photo or folder '{wanted}'.")
    return found


def _at(row: ListRow, target: str) -> ListRow:
    return ListRow(target, row.values, row.list_name, row.line)


def _add_file(found: PhotoLists, row: ListRow) -> None:
    before = found.files.setdefault(row.target, [])
    for other in before:
        for column in sorted(set(row.values) & set(other.values)):
            if row.values[column] != other.values[column]:
                found.notes.append(
                    f"{row.where}: {column} '{row.values[column]}' contradicts '{other.values[column]}' of "
                    f"{other.where}, which is taken."
                )
    before.append(row)


def _rows(data: bytes, list_name: str, notes: list[str]) -> list[ListRow]:
    shown = shown_name(list_name)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        raise UsageError(f"The list '{shown}' isn't text in UTF-8.", "Save it as 'CSV UTF-8'.") from e
    first = text.splitlines()[0] if text.strip() else ""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=max(",;\t", key=first.count), strict=True)
    out: list[ListRow] = []
    try:
        header = [h.strip().casefold() for h in next(reader, [])]
        if "file" not in header:
            raise UsageError(
                f"The list '{shown}' has no column 'file'.",
                f"Its first line names the columns: {', '.join(COLUMNS)}; only 'file' must be there.",
            )
        unknown = [h for h in header if h and h not in COLUMNS]
        if unknown:
            notes.append(f"{shown}: columns that aren't used: {', '.join(unknown)}.")
        for cells in reader:
            values = {
                h: " ".join(unicodedata.normalize("NFC", c).split())
                for h, c in zip(header, cells, strict=False)
                if h in COLUMNS and h != "file" and c.strip()
            }
            name = cells[header.index("file")].strip() if len(cells) > header.index("file") else ""
            if name:
                out.append(ListRow(name, values, list_name, reader.line_num))
            elif values:
                notes.append(f"{shown}, line {reader.line_num}: no file is named, so the line isn't used.")
    except csv.Error as e:
        raise UsageError(
            f"The list '{shown}' can't be read as CSV at line {reader.line_num}: {e}.",
            "Save it again as CSV.",
        ) from e
    return out


class _Names:
    """Names that are found as written, or but for composed letters and upper and lower case where that
    leaves one only."""

    def __init__(self, names: Iterable[str]) -> None:
        self._exact: set[str] = set()
        self._loose: dict[str, list[str]] = {}
        for name in names:
            self._exact.add(name)
            self._loose.setdefault(self._key(name), []).append(name)

    @staticmethod
    def _key(name: str) -> str:
        return unicodedata.normalize("NFC", shown_name(name)).casefold()

    def find(self, name: str) -> str | None:
        if name in self._exact:
            return name
        near = self._loose.get(self._key(name), [])
        return near[0] if len(near) == 1 else None
