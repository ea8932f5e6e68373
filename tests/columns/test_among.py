"""Ids of a column among others: the answer is that of ``Series.isin``, whatever holds the ids."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decknet.columns.among import is_among

IDS = st.lists(st.one_of(st.none(), st.text("abD1é–", max_size=3)), max_size=12)


@pytest.mark.basis("derived", "pandas.Series.isin is defined to answer the same")
@given(IDS, IDS)
def test_as_isin(held, asked):
    column = pd.Series(held, dtype="str", index=range(3, 3 + len(held)))
    expected = column.isin(asked)
    for ids in (asked, set(asked), pd.Series(asked, dtype="str"), pd.Index(asked, dtype="str"),
                np.array(asked, dtype=object), iter(asked)):  # fmt: skip
        pd.testing.assert_series_equal(is_among(column, ids), expected)


def test_columns_of_objects_indexes_and_pieces():
    assert is_among(pd.Series(["a", np.nan], dtype="object"), ["a"]).tolist() == [True, False]
    assert is_among(pd.Index(["a", "b"]), pd.Index(["b"])).tolist() == [False, True]
    pieces = pd.concat([pd.Series(["a"], dtype="str"), pd.Series(["b", None], dtype="str")], ignore_index=True)
    assert is_among(pieces, pieces.iloc[1:]).tolist() == [False, True, True]
    assert is_among(pd.Series([], dtype="object"), []).tolist() == []


def test_the_column_keeps_its_rows():
    column = pd.Series(["a", "b", "a"], dtype="str", index=[7, 3, 5])
    assert column[is_among(column, ["a"])].index.tolist() == [7, 5]
