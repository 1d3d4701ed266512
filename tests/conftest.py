"""Property tests draw the same examples every time, so that a failure is somebody's change. To look for
new ones: ``pytest --hypothesis-profile=default``.

``pytest --strict-skips`` fails where a test was skipped for a reason that isn't in `made.skips.MAY_SKIP`:
a machine that lacks a program checks less, and should say so.
"""

from __future__ import annotations

import pytest
from hypothesis import settings

from made.report_samples import judged_samples as judged_samples
from made.skips import unexpected

settings.register_profile("fixed", derandomize=True, deadline=None)
settings.load_profile("fixed")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--strict-skips", action="store_true", help="fail where a test skips for a reason not in MAY_SKIP"
    )


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    # of several processes, the one that gathers the others' reports
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if reporter is None or hasattr(session.config, "workerinput"):
        return
    if not session.config.getoption("--strict-skips"):
        return
    skipped = reporter.stats.get("skipped", [])
    wrong = unexpected((r.nodeid, str(r.longrepr[2])) for r in skipped if isinstance(r.longrepr, tuple))
    if wrong:
        reporter.section("skipped, and should not have been")
        for line in wrong:
            reporter.write_line(line)
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
