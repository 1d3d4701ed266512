"""Exit codes, errors that end a command, and refusals that end a judgement.

An exception is for input that can't be read, a model that is missing or altered and output that can't
be written. A readable photo that can't be judged is an answer, not an error: a stage raises
`CannotJudge` and `pipeline.judge` turns it into a `Verdict` with its reasons. Every error carries what
to do about it and survives a process pool.
"""

from __future__ import annotations

from enum import IntEnum


class ExitCode(IntEnum):
    """What the command returns to the shell. These numbers are part of the stable interface."""

    JUDGED = 0
    USAGE = 2
    INPUT_UNREADABLE = 3
    CANNOT_JUDGE = 4
    OUTPUT_NOT_WRITABLE = 5
    MODEL = 6
    BATCH_INCOMPLETE = 7
    EVIDENCE_DIFFERS = 8
    UNEXPECTED = 15
    INTERRUPTED = 130


EXIT_MEANINGS: dict[ExitCode, str] = {
    ExitCode.JUDGED: "judged, or the command did what it was asked",
    ExitCode.USAGE: "the command line, a settings file or a template is wrong",
    ExitCode.INPUT_UNREADABLE: "an input file can't be read as what it should be",
    ExitCode.CANNOT_JUDGE: "the photo is readable but can't be judged; the record says why and what to do",
    ExitCode.OUTPUT_NOT_WRITABLE: "an output file can't be written",
    ExitCode.MODEL: "the segmenter's model file is missing or altered",
    ExitCode.BATCH_INCOMPLETE: "a batch finished with some photos not judged",
    ExitCode.EVIDENCE_DIFFERS: "an evidence bag isn't as it was packed, or judging its originals again "
    "gives something else",
    ExitCode.UNEXPECTED: "an unexpected fault in anodewane itself",
    ExitCode.INTERRUPTED: "interrupted",
}


class AnodewaneError(Exception):
    """Base of every error that ends a command: one sentence, one remedy, one exit code.

    Parameters
    ----------
    message : str
        One clear sentence, without a full stop missing.
    remedy : str
        What the user can do about it.
    """

    exit_code = ExitCode.UNEXPECTED

    def __init__(self, message: str, remedy: str) -> None:
        super().__init__(message, remedy)
        self.message = message
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.message} {self.remedy}".strip()


class UsageError(AnodewaneError):
    """The command line, a settings file or a template is wrong."""

    exit_code = ExitCode.USAGE


class InputUnreadable(AnodewaneError):  # noqa: N818 - says what it is
    """An input file is missing, damaged, too large or not what it says it is."""

    exit_code = ExitCode.INPUT_UNREADABLE


class OutputNotWritable(AnodewaneError):  # noqa: N818 - says what it is
    """An output file can't be written."""

    exit_code = ExitCode.OUTPUT_NOT_WRITABLE


class ModelError(AnodewaneError):
    """The segmenter's model file is missing, altered or of the wrong shape."""

    exit_code = ExitCode.MODEL


class CannotJudge(Exception):  # noqa: N818 - a refusal is an answer, not an error
    """A stage refuses a readable photo. Never leaves `pipeline.judge`.

    Parameters
    ----------
    code : str
        Stable snake_case code, a key of `anodewane.refusals.REFUSALS`.
    detail : str
        Figures that make the catalogue's sentence concrete; may be empty.
    """

    def __init__(self, code: str, detail: str = "") -> None:
        super().__init__(code, detail)
        self.code = code
        self.detail = detail
