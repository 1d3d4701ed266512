"""Sample photos, judged once for all tests of a process."""

from __future__ import annotations

from report_samples import judged_samples as judged_samples
