"""A file that is not recognised: what the refusal says, and the mapping it writes."""

from __future__ import annotations

import pytest

from decknet.errors import RecordError

NUMBERED = "Facility,Asset Ref Code,Town,Yr Blt,Deck Surf Area\nMill Bridge,A-{0},Eastby,1970,{1}\n"
LIST = "Asset Ref Code,Bridge Name,Town,Year Built\n" + "".join(
    f"A-{n},Mill {n} Bridge,Eastby,{1950 + n}\n" for n in range(30)
)


def refusal(read, text, name="list.csv", mapping=None) -> RecordError:
    with pytest.raises(RecordError) as told:
        read(text, name, mapping)
    return told.value


def test_the_nearest_number_is_named_with_its_first_value_and_loads(read):
    why = refusal(read, LIST)
    assert "no column is known as a number of bridges" in str(why)
    assert "Nearest is 'Asset Ref Code', which differs from row to row; the first is 'A-0'." in str(why)
    assert why.suggestion in str(why)
    bridges = read(LIST, "list.csv", why.suggestion).records["bridge"]
    assert bridges["bridge_id"].tolist() == [f"A-{n}" for n in range(30)]
    assert bridges["built_year"].tolist() == [1950 + n for n in range(30)]


def test_numbers_that_repeat_are_no_numbers_and_two_columns_together_are(read):
    # 3 sites of 10 spans each: the site repeats, the pair does not
    rows = "".join(f"S{n // 10},{n % 10},Mill Bridge,{1950 + n}\n" for n in range(30))
    why = refusal(read, "Site,Seq,Structure Name,Year Built\n" + rows)
    assert "Nearest is 'Site' and 'Seq'" in str(why)
    got = read("Site,Seq,Structure Name,Year Built\n" + rows, "list.csv", why.suggestion).records["bridge"]
    assert got["bridge_id"].tolist() == [f"S{n // 10}-{n % 10}" for n in range(30)]


def test_numbers_that_repeat_from_state_to_state_are_joined_with_it(read):
    rows = "".join(f"{'North' if n < 20 else 'South'},{n % 20:03d},{1950 + n}\n" for n in range(40))
    text = "State Name,Structure Number,Year Built\n" + rows
    why = refusal(read, text)
    assert "20 numbers in 'Structure Number' stand again under another 'State Name'" in str(why)
    got = read(text, "list.csv", why.suggestion).records["bridge"]
    assert len(got) == 40
    assert got["bridge_id"].iloc[[0, 39]].tolist() == ["North-000", "South-019"]


def test_one_row_that_contradicts_another_is_not_taken_for_a_list_of_states(read):
    text = "State Name,Structure Number,Year Built\nNorth,001,1950\nNorth,001,1960\nNorth,002,1960\n"
    assert read(text, "list.csv").faults["code"].tolist() == ["R-CONFLICT", "R-CONFLICT"]


def test_a_list_without_numbers_is_numbered_by_line_where_it_is_stated(read):
    text = "Facility,Town,Year Built,Latitude,Longitude\nMain St,A,1970,60.1,10.1\nMain St,A,1970,60.2,10.2\n"
    why = refusal(read, text, "spring-list.csv")
    assert "number_rows = true" in why.suggestion
    got = read(text, "spring-list.csv", why.suggestion).records["bridge"]
    assert got["bridge_id"].tolist() == ["spring-list:2", "spring-list:3"]


def test_a_column_headed_bridge_that_holds_names_is_no_number(read):
    text = "Structure,ID,Year Built\n" + "".join(f"West Street Bridge {n},X{n},19{n + 50}\n" for n in range(20))
    why = refusal(read, text)
    assert "needs a column bridge_id" in str(why)
    got = read(text, "list.csv", why.suggestion).records["bridge"]
    assert got["bridge_id"].iloc[3] == "X3"
    assert got["name"].iloc[3] == "West Street Bridge 3"


def test_a_table_that_tells_of_no_bridge_is_refused_without_a_mapping(read):
    why = refusal(read, "OBJECTID,Status,GlobalID,Shape__Area\n1,Open,aa,12.5\n2,Open,bb,13.5\n")
    assert "no column names a bridge or tells of one" in str(why)
    assert not why.suggestion


def test_a_number_that_a_program_gives_its_rows_is_never_one_of_bridges(read):
    text = "_id,id,Bridge Name,Year Built\n" + "".join(f"{n},b{n},Mill Bridge,1950\n" for n in range(1, 21))
    why = refusal(read, text)
    assert '"id" = "bridge_id"' in why.suggestion
    got = read(text, "list.csv", why.suggestion).records["bridge"]
    assert got["bridge_id"].iloc[0] == "b1"


@pytest.mark.parametrize(
    ("header", "column"),
    [
        ("LatConvFinal", "latitude_deg"),
        ("GPS Long", "longitude_deg"),
        ("DECK_CND_RATING", "deck_rating"),
        ("Avg Daily Traffic Count", "aadt"),
        ("PERCENT_ADT_TRUCK_109", "truck_share in %"),
        ("Bridge Len", "length_m"),
        ("橋長", "length_m"),
    ],
)
def test_headers_are_guessed_by_their_words_where_the_cells_bear_them_out(read, header, column):
    cells = {
        "latitude_deg": "60.1{0}", "longitude_deg": "10.1{0}", "deck_rating": "{0}", "aadt": "12{0}0",
        "truck_share in %": "1{0}", "length_m": "3{0}.5",
    }[column]  # fmt: skip
    rows = "".join(f"K{n},Mill Bridge,{cells.format(n % 10)}\n" for n in range(20))
    why = refusal(read, f"Asset Code,Bridge Name,{header}\n{rows}")
    line = f'"{header}" = "{column}"'
    known = read(f"bridge id,name,{header}\nB1,Mill,{cells.format(5)}\n", "known.csv").mapping
    taken = known[known["header"] == header]["column"].iloc[0]
    assert line in why.suggestion or taken == column.partition(" in ")[0]


def test_words_are_not_enough_where_the_cells_do_not_bear_them_out(read):
    rows = "".join(f"K{n},Mill Bridge,see note {n}\n" for n in range(20))
    why = refusal(read, f"Asset Code,Bridge Name,GPS Long\n{rows}")
    assert "longitude_deg" not in why.suggestion


def test_an_area_that_cannot_be_in_square_metres_is_asked_for(read):
    # 20 m long, 2,600 as an area: as m2 the decks would be 130 m wide; 2600 ft2 / 20 m = 241.5 m2 / 20 m = 12.1 m
    rows = "".join(f"K{n},Mill Bridge,20,2600\n" for n in range(12))
    text = f"bridge no,name,Length (m),Deck Area\n{rows}"
    why = refusal(read, text)
    assert "as m2 the median deck would be 130 m wide; as ft2 it would be 12.1 m" in str(why)
    assert '"Deck Area" = "deck_area_m2 in ?"' in why.suggestion
    again = refusal(read, text, "list.csv", why.suggestion)
    assert "State it in a mapping file" in str(again)
    decks = read(text, "list.csv", why.suggestion.replace("in ?", "in ft2")).records["deck"]
    assert decks["width_m"].iloc[0] == pytest.approx(2600 * 0.3048**2 / 20)
    assert decks["deck_area_m2"].isna().all()


def test_an_area_alone_is_kept_as_one(read):
    got = read("bridge no,name,Deck Area (sq ft)\nK1,Mill,573.61\n", "list.csv").records["deck"].iloc[0]
    assert got["deck_area_m2"] == pytest.approx(573.61 * 0.3048**2)
    assert got[["length_m", "width_m"]].isna().all()


def test_the_unit_in_a_header_survives_a_mapping(read):
    """Of a mapping that names the column and no unit the header's own unit holds, however it is written."""
    mapping = '[columns]\n"Hollow, found (sq ft)" = "delaminated_m2"\n'
    text = 'bridge id,survey date,"Hollow, found (sq ft)"\n001,2024-05-06,100\n'
    found = read(text, "surveys.csv", mapping).records["survey"]
    assert found["delaminated_m2"].iloc[0] == pytest.approx(100 * 0.3048**2)
    other = read(text, "surveys.csv", mapping.replace('"delaminated_m2"', '"delaminated_m2 in m2"')).records["survey"]
    assert other["delaminated_m2"].iloc[0] == 100


def test_widths_that_can_hardly_be_metres_are_asked_for(read):
    # a median of 36: 36 m would be ten lanes and more, 36 ft is 10.97 m
    rows = "".join(f"K{n},Mill Bridge,{90 + n},{34 + n}\n" for n in range(5))
    text = f"bridge no,name,Structure Length,Deck Width\n{rows}"
    why = refusal(read, text)
    assert "as m the median deck would be 36 m wide; as ft it would be 11.0 m" in str(why)
    answered = why.suggestion.replace("in ?", "in ft")
    decks = read(text, "list.csv", answered).records["deck"]
    assert decks["width_m"].iloc[0] == pytest.approx(34 * 0.3048)
    assert decks["length_m"].iloc[0] == pytest.approx(90 * 0.3048)
    assert len(read(text.replace("Deck Width", "Deck Width (m)"), "list.csv").records["deck"]) == 5
