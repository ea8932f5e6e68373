"""Whatever a file holds, bringing it in keeps every row that can be kept, or ends in one plain refusal.

Some files are changed at random and brought in with a quick run, more with the whole suite, and as many as ``--tries``
asks for or fit into ``--hours``.
"""

from __future__ import annotations

import zipfile

import pytest

from decknet.errors import DecknetError
from decknet.ingest.bundle import files_in
from decknet.ingest.read import FORMATS
from tests.ingest import mutants

QUICK, LONG = 20, 1_500


def _tried(cases, capsys, **how):
    counts, found = mutants.run(cases, **how)
    with capsys.disabled():
        mutants._tell(f"\n{mutants.table(counts)}")
    assert found == []
    assert sum(counts.values()) >= cases
    return counts


def test_any_bytes_end_in_a_reading_or_one_plain_refusal(capsys):
    counts = _tried(QUICK, capsys)
    assert sum(n for (_, end), n in counts.items() if end == "kept") > 5  # real files, a little changed, and no noise


@pytest.mark.slow
def test_many_more_bytes_end_in_a_reading_or_one_plain_refusal(tries, hours, capsys):
    counts = _tried(tries or LONG, capsys, first=1_000_000, hours=hours)
    if sum(counts.values()) >= LONG:
        assert {ending for ending, _ in counts} == {*FORMATS, ".zip"}


@pytest.mark.slow
def test_every_ending_that_is_read_is_tried_and_its_seed_is_read_unchanged(known, tmp_path):
    from decknet.ingest import read_file
    from tests.ingest.conftest import TODAY

    seeds = mutants.seeds()
    assert {ending for ending, _ in seeds} == {*FORMATS, ".zip"}
    read = set()
    for n, (ending, parts) in enumerate(seeds):
        folder = tmp_path / str(n)
        folder.mkdir()
        stem = "delaminations" if ending in mutants.MAPS else "surveys"
        for part, data in parts.items():
            (folder / f"{stem}{part}").write_bytes(data)
        files, _ = files_in(folder / f"{stem}{ending}", tmp_path / f"unpacked{n}")
        for file, name in files:
            try:
                read_file(file, known=known, today=TODAY, name=name)
                read.add(ending)
            except DecknetError:
                continue
    assert len(read) >= len(FORMATS) - 4, {*FORMATS} - read


def test_a_zip_within_limits_is_unpacked_and_one_beyond_is_refused(tmp_path):
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("surveys.csv", b"0" * 30_000_000)
    with pytest.raises(DecknetError, match="unpacked it would fill 30,000,000 bytes"):
        files_in(path, tmp_path / "out")
    assert not (tmp_path / "out").exists()
