"""What the terminal says of test results that head for a limit (words and days: our own choice)."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from ingest.domain.explanation import Explanation
from ingest.domain.result_trends import Trend
from ingest.printing_why import why_lines

LIMIT = int(datetime(2026, 12, 20, 15, tzinfo=UTC).timestamp() * 1000)


@pytest.mark.parametrize(
    ("due", "warned"),
    [
        (date(2026, 12, 19), False),
        (date(2026, 12, 20), True),
        (date(2027, 3, 1), True),
        (None, False),
    ],
)
def test_a_result_that_reaches_its_limit_before_the_inspection_warns(
    due: date | None, warned: bool
) -> None:
    said = Explanation(
        trends=(Trend(("7E8", 0x21, 0x80), 8, 0.2, LIMIT), Trend(("7E8", 0x31, 0x81), 8, 0.9, None))
    )
    (line,) = why_lines(said, due)
    assert "heads for its limit, about Sun Dec 20, 2026" in line
    assert ("before the inspection is due: have it looked at now" in line) is warned
