"""Texts from files and people cannot become parts of the page."""

from html.parser import HTMLParser

import pytest

from xrfmap.areas.two_sums import Measure, compare
from xrfmap.explore import markup
from xrfmap.explore.readout import Reading
from xrfmap.findings import Comparison, FamilyComparison

EVIL = '<img src=x onerror="alert(1)">\'&\u202e\x1b[31m'


class Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.found = []

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))


def tags(html):
    parser = Tags()
    parser.feed(html)
    return parser.found


@pytest.mark.parametrize(
    "html",
    [
        markup.message(EVIL),
        markup.message(EVIL, EVIL),
        markup.pointer_card(
            EVIL,
            EVIL,
            [Reading(EVIL, 1, 1, "seen", EVIL)],
            [Reading(EVIL, 1, 1, "seen", EVIL)],
            False,
        ),
        markup.contrast_table(compare({EVIL: Measure(1, 1)}, {EVIL: Measure(2, 1)}, 1, 1), EVIL),
        markup.block_table(
            Comparison(
                areas=[EVIL, EVIL],
                verdict="differs",
                answer=EVIL,
                unit=EVIL,
                reference=EVIL,
                families=[
                    FamilyComparison(
                        family=EVIL,
                        kind="ratio",
                        reference=EVIL,
                        a=1,
                        a_err=0.1,
                        b=None,
                        b_err=None,
                        difference_percent=None,
                        low_percent=None,
                        high_percent=None,
                        p=None,
                        p_all=None,
                        verdict="cannot tell",
                        detectable_percent=None,
                        uneven_share=None,
                    )
                ],
            )
        ),
        markup.clean(EVIL),
    ],
)
def test_no_tag_or_script_comes_from_a_text(html):
    for tag, attrs in tags(html):
        assert tag in {"p", "b", "br", "span", "table", "thead", "tbody", "tr", "th", "td"}
        assert not [name for name in attrs if name.startswith("on")]
    assert "\x1b" not in html
    assert "\u202e" not in html


def test_long_texts_are_cut():
    assert len(markup.clean("x" * 5000)) == 300
