"""The page that leads to the files of a report."""

from __future__ import annotations

import datetime as dt
import re
from html.parser import HTMLParser

import pytest

from decknet.settings import Settings
from decknet.show import contents, words
from tests.show.invented import HOSTILE, act_now, network, no_works, works

FILES = [{"name": "summary.pdf", "what": "summary", "holds": "One page.", "bytes": 1_234_567}]


def page(title="Far Coast", status=None, programme=None, told=("First.",), differ=(), since=None):
    status = network() if status is None else status
    return contents(
        status, works(status) if programme is None else programme, urgent=act_now(status), title=title,
        settings=Settings(), today=dt.date(2026, 11, 25), files=FILES, software="decknet 0",
        changes={"since": since, "told": list(told), "files": list(differ)},
    )  # fmt: skip


class Seen(HTMLParser):
    """Tags, addresses and text of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.addresses: list[str] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.addresses += [value for name, value in attrs if name in {"href", "src"}]

    def handle_data(self, data):
        self.text += data


def test_it_leads_to_every_file_and_asks_nothing_of_a_network():
    seen = Seen(page())
    assert seen.addresses == ["summary.pdf"]
    assert not {"script", "img", "link", "iframe"} & set(seen.tags)
    assert "1.2 MB" in seen.text


@pytest.mark.parametrize(
    "name", [*HOSTILE, "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "{{ 7 * 7 }}"]
)
def test_titles_and_changes_that_look_like_code_are_printed_as_they_are(name):
    seen = Seen(page(title=name, told=[name], differ=[name]))
    assert not {"script", "img"} & set(seen.tags)
    assert seen.text.count(name) >= 3


def test_it_says_what_has_changed_and_since_when():
    text = Seen(page(told=["Works: 3 before, 4 now."], differ=["summary.pdf"], since="2026-10-01")).text
    assert "What has changed since the run with figures of 2026-10-01" in text
    assert "Works: 3 before, 4 now." in text
    assert "Files that differ from that run: summary.pdf." in text


def test_cautions_stand_in_full_and_nothing_is_called_safe():
    text = re.sub(r"\s+", " ", Seen(page()).text)
    for caution in (words.CAUTION, *words.CAUTIONS):
        assert caution in text
    for found in re.findall(r"[^.]*\bsafe\b[^.]*", text):
        assert re.search(r"\b(not|never)\b", found), found


def test_a_network_without_decks_or_works_has_a_page():
    status = network()
    assert "0</b> decks" in page(status=status.iloc[:0], programme=no_works(status))
