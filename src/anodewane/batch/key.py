"""What decides a result besides the photo: the key under which the ledger knows it."""

from __future__ import annotations

import hashlib
import json

from anodewane.judgement.method import Method
from anodewane.record import SCHEMA_VERSION
from anodewane.records import Given, Template


class Keys:
    """Digests of what decides a record besides the photo: versions, model, segmenter, settings, template,
    lens, and what was given.

    Raises
    ------
    ModelError, UsageError
        A bad model or a wrong segmenter is told before the work starts.
    """

    def __init__(self, method: Method) -> None:
        from anodewane.catalog.lens import lens_profile_to_toml
        from anodewane.judgement.provenance import library_versions
        from anodewane.segment.model_file import load_model_bytes
        from anodewane.version import own_version

        model = None
        if method.segmenter == "network":
            model = load_model_bytes()[1][
                "sha256"
            ]  # a bad model or a wrong name is told before the work starts
        else:
            model = method.get_segmenter().model_sha256
        self._method = method
        self._fixed = [
            SCHEMA_VERSION,
            own_version(),
            method.segmenter if isinstance(method.segmenter, str) else method.segmenter.name,
            model,
            lens_profile_to_toml(method.lens) if method.lens else None,
            library_versions(),
        ]
        self._made: dict[tuple[object, ...], str] = {}

    def template(self, template: Template | None, into: dict[str, Template]) -> str | None:
        """A template's digest, under which it is put; None for a choice from the library."""
        from anodewane.catalog.templates import template_digest

        if template is None:
            return None
        key = template_digest(template)
        into[key] = template
        return key

    def of(self, key: str | None, template: Template | None, given: Given, together: bool) -> str:
        """The digest for a part."""
        known = (given.weighed_g, given.thickness_mm, given.check_line_mm)
        case = (key, known, together)
        if case not in self._made:
            text = json.dumps(
                [
                    *self._fixed,
                    self._method.settings_for(template).digest(),
                    known,
                    key or library_digest(),
                    *(["together"] if together else []),
                ]
            )
            self._made[case] = hashlib.sha256(text.encode()).hexdigest()[:32]
        return self._made[case]


def library_digest() -> str:
    """Of all built-in templates: where none is given, one of them is chosen."""
    from anodewane.catalog.templates import builtin_templates, template_digest

    return hashlib.sha256("".join(map(template_digest, builtin_templates().values())).encode()).hexdigest()
