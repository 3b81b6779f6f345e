"""Partitions with numbers in place of words: the functions of one clinic, without its text.

Grouping, sorting and joining by text is what most of the time of a partition would go into. So
clients become whole numbers in the order of their codes, and other words become categories in
the order of the alphabet: every function groups, sorts and compares as before. `Coded.named`
puts the codes of clients back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as compute

from outcomes.network.store import Partition, Store
from outcomes.records.caseload import Caseload

__all__ = ["Coded", "read_coded"]

#: Columns that are compared with each other have their categories in common.
_ALIKE = {"affected_side": "side"}
#: Words that functions put in, beside those of the records.
_ADDED = {"side": ("both", "left", "right"), "rater": ("several",)}


@dataclass(frozen=True, eq=False)
class Coded:
    """Some partitions, coded.

    Attributes
    ----------
    caseload : Caseload
        `client` is a whole number; words are categories, among them the empty word.
    clients : Index of str
        The codes of the clients by number, sorted.
    """

    caseload: Caseload
    clients: pd.Index

    def named(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Put the codes of clients back, as categories; whole numbers as records have them."""
        clients = pd.Categorical.from_codes(
            frame["client"].to_numpy(), self.clients, validate=False
        )
        return frame.assign(client=clients, episode=frame["episode"].astype("Int64"))


def read_coded(
    store: Store, partitions: Sequence[Partition], columns: Mapping[str, Sequence[str]]
) -> Coded:
    """Read some tables of some partitions, coded.

    Parameters
    ----------
    store : Store
    partitions : sequence of Partition
    columns : dict
        The columns wanted, per table.
    """
    tables = {name: store.arrow(name, partitions, wanted) for name, wanted in columns.items()}
    dictionaries = {
        name: {
            column: _dictionary(table.column(column))
            for column in table.column_names
            if _is_words(table.schema.field(column).type)
        }
        for name, table in tables.items()
    }
    lists: dict[str, list[pa.Array]] = {}
    for found in dictionaries.values():
        for column, (_, own) in found.items():
            lists.setdefault(_list_of(column), []).append(own)
    added = {name: ["", *_ADDED.get(name, ())] for name in lists if name != "client"}
    levels = {name: _sorted(own, added.get(name, [])) for name, own in lists.items()}
    frames = {}
    for name, table in tables.items():
        frame = {}
        for column in table.column_names:
            if column not in dictionaries[name]:
                frame[column] = _numbers(table.column(column))
                continue
            codes, own = dictionaries[name][column]
            level = levels[_list_of(column)]
            place = np.append(compute.index_in(own, value_set=level).to_numpy(), -1)[codes]
            if column != "client":
                words = pd.Index(level.to_pandas(), dtype="str")
                place = pd.Categorical.from_codes(place, words, validate=False)
            frame[column] = place
        frames[name] = pd.DataFrame(frame)
    return Coded(
        Caseload(
            tables=frames,
            own_measures=store.manifest.own_measures,
            own_thresholds=store.manifest.own_thresholds,
        ),
        pd.Index(levels["client"].to_pandas(), dtype="str"),
    )


def _list_of(column: str) -> str:
    return _ALIKE.get(column) or column


def _is_words(kind: pa.DataType) -> bool:
    return (
        pa.types.is_dictionary(kind) or pa.types.is_string(kind) or pa.types.is_large_string(kind)
    )


def _dictionary(column: pa.ChunkedArray) -> tuple[np.ndarray, pa.Array]:
    """Give the place of every cell in a list of distinct words (-1: empty), and that list."""
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    column = column.unify_dictionaries()
    if column.num_chunks == 0:
        return np.zeros(0, dtype=np.intp), pa.array([], pa.string())
    codes = [chunk.indices.fill_null(-1).to_numpy() for chunk in column.chunks]
    return np.concatenate(codes), column.chunk(0).dictionary.cast(pa.string())


def _sorted(lists: list[pa.Array], added: list[str]) -> pa.Array:
    words = compute.unique(pa.concat_arrays([*lists, pa.array(added, pa.string())]))
    return words.take(compute.sort_indices(words))


def _numbers(column: pa.ChunkedArray) -> object:
    if pa.types.is_int64(column.type) and column.null_count:
        return column.to_pandas(types_mapper={pa.int64(): pd.Int64Dtype()}.get)
    if pa.types.is_boolean(column.type):
        return column.to_pandas(types_mapper={pa.bool_(): pd.BooleanDtype()}.get)
    return column.to_pandas()
