"""A mapping written for a file that is not recognised, by the command."""

from __future__ import annotations

import gzip

from decknet.cli import main


def test_the_command_writes_a_mapping_names_the_users_own_file_and_stores_nothing(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    rows = "".join(f"A-{n},Mill {n} Bridge,{1950 + n}\n" for n in range(30))
    (tmp_path / "list.csv.gz").write_bytes(gzip.compress(f"Asset Ref Code,Bridge Name,Year Built\n{rows}".encode()))
    assert main(["new", "s.duckdb"]) == 0
    assert main(["load", "s.duckdb", "list.csv.gz", "--suggest", "m.toml"]) == 1
    out = capsys.readouterr().out
    assert "m.toml: a mapping to read through. Then: decknet load s.duckdb list.csv.gz --map m.toml" in out
    assert (tmp_path / "m.toml").read_text(encoding="utf-8") == (
        'as = "bridge"\n[columns]\n"Asset Ref Code" = "bridge_id"\n'
    )
    assert main(["load", "s.duckdb", "list.csv.gz", "--map", "m.toml"]) == 0
    assert "30 rows read, 30 kept" in capsys.readouterr().out
