"""How far suspects went: from them through subassemblies to units, and where these are, counted by things."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any, Final, NamedTuple

from sqlalchemy import Connection, Row

from partkin.exports.papers.model import Certainty, SpreadEdge, SpreadNode
from partkin.rules.catalogue import Catalogue
from partkin.rules.facts import ItemKey
from partkin.store.containment.papers import Thing
from partkin.store.genealogy.content import items_by_id
from partkin.store.genealogy.exposure import Exposed, Exposure, all_exposures, marriages_by_id

_PLACES: Final[Mapping[str, str]] = {
    "scrapped": "scrapped",
    "returned": "back at the supplier",
    "in analysis": "in failure analysis",
}
"""By the state of a thing; what has no other place is in the plant."""

_Chain = Sequence[int]
"""Items on the way: the suspect, what it is in, and so on up to the thing."""


class Spread(NamedTuple):
    """The picture, and the lots that pieces came from on the ways to the things."""

    nodes: list[SpreadNode]
    edges: list[SpreadEdge]
    lots: set[int]


def spread_of(
    connection: Connection,
    found: Exposed,
    things: Sequence[Thing],
    sent_to: Mapping[int, tuple[str, str]],
    catalogue: Catalogue,
) -> Spread:
    """By the best way to each thing; `sent_to` has of units consignee and name, where they were sent last."""
    listed = {thing.item_id: thing for thing in things}
    chains: list[_Chain] = []
    for chunk in all_exposures(connection, found):
        ways = [one for one in chunk if one.item_id in listed and listed[one.item_id].kind == "serial"]
        married = marriages_by_id(connection, [number for one in ways for number in one.marriages])
        chains += [_chain(one, married) for one in ways]
    names = items_by_id(connection, sorted({item for chain in chains for item in chain} | listed.keys()))
    spread = _Spread(listed, names, sent_to, catalogue)
    for chain in chains:
        spread.add(chain)
    spread.end()
    lots = {chain[0] for chain in chains if names[chain[0]].kind == "lot"}
    return Spread(spread.nodes(), spread.edges(), lots)


def _chain(one: Exposure, married: Mapping[int, Row[Any]]) -> list[int]:
    chain: list[int] = []
    for number in one.marriages:
        row = married[number]
        if not chain:
            chain = [one.lot_id or row.child_id, row.parent_id]
        else:  # what lies beside an accessory is reached downwards, from the carton
            chain.append(row.child_id if row.parent_id == chain[-1] else row.parent_id)
    return chain or [one.item_id]


_Key = tuple[str, str, str]
"""Kind of node, part or consignee, lot."""


class _Spread:
    """Things by node and pairs of things by edge, as ways are added."""

    def __init__(
        self,
        listed: Mapping[int, Thing],
        names: Mapping[int, ItemKey],
        sent_to: Mapping[int, tuple[str, str]],
        catalogue: Catalogue,
    ) -> None:
        self._listed, self._names, self._sent_to, self._catalogue = listed, names, sent_to, catalogue
        self._certainty: dict[int, Certainty] = {item: thing.certainty for item, thing in listed.items()}
        self._things: dict[_Key, set[int]] = defaultdict(set)
        self._pairs: dict[tuple[_Key, _Key], set[tuple[int, int]]] = defaultdict(set)
        self._nodes_of: dict[int, set[_Key]] = defaultdict(set)
        self._inside: set[int] = set()

    def add(self, chain: _Chain) -> None:
        """A way, from the suspect to a thing; what on it is not affected by all conditions is as certain as its end."""
        for item in chain:
            if item not in self._listed and self._certainty.get(item) != "certain":
                self._certainty[item] = self._listed[chain[-1]].certainty
        keys = [self._key(item, suspect=not place) for place, item in enumerate(chain)]
        for (child, child_key), (parent, parent_key) in pairwise(zip(chain, keys, strict=True)):
            self._pair(child, child_key, parent, parent_key)
            self._inside.add(child)
        head = chain[0]
        if self._names[head].kind == "serial":
            self._put(head, keys[0])
            if self._is_unit(self._names[head]):
                self._pair(head, keys[0], head, ("part", self._names[head].part, ""))

    def end(self) -> None:
        """From things that are in no other to where they are."""
        for thing in self._listed.values():
            if thing.kind == "lot":
                continue
            if self._is_unit(thing):
                self._put(thing.item_id, ("part", thing.part, ""))
            elif thing.item_id in self._inside or self._catalogue.part[thing.part].packaging:
                continue
            place = self._place(thing)
            for key in self._nodes_of[thing.item_id]:
                if not self._is_unit(thing) or key[0] == "part":
                    self._pairs[key, place].add((thing.item_id, thing.item_id))
                    self._things[place].add(thing.item_id)

    def _key(self, item: int, *, suspect: bool) -> _Key:
        name = self._names[item]
        if not suspect:
            return ("part", name.part, "")
        thing = self._listed.get(item)
        lot = name if name.kind == "lot" else self._names.get((thing and thing.lot_id) or 0)
        return ("suspect", name.part, "" if lot is None else lot.code)

    def _pair(self, child: int, child_key: _Key, parent: int, parent_key: _Key) -> None:
        self._pairs[child_key, parent_key].add((child, parent))
        self._put(parent, parent_key)
        if self._names[child].kind == "lot":
            self._things[child_key].add(parent)  # pieces of a lot are counted by what they went into

    def _put(self, item: int, key: _Key) -> None:
        self._things[key].add(item)
        self._nodes_of[item].add(key)

    def _is_unit(self, thing: Thing | ItemKey) -> bool:
        return self._catalogue.part[thing.part].sold

    def _place(self, thing: Thing) -> _Key:
        if thing.state == "shipped" and thing.item_id in self._sent_to:
            return ("consignee", *self._sent_to[thing.item_id])
        return ("place", _PLACES.get(thing.state, "in the plant"), "")

    # -- as the picture has them

    def nodes(self) -> list[SpreadNode]:
        """From the suspects on, those with most things first."""
        levels = self._levels()
        ordered = sorted(self._things, key=lambda key: (levels[key], -len(self._things[key]), key))
        return [self._node(key, levels[key]) for key in ordered]

    def _node(self, key: _Key, level: int) -> SpreadNode:
        counts = Counter[Certainty](self._certainty[item] for item in self._things[key])
        label, detail = self._called(key)
        return SpreadNode("/".join(key), level, label, detail, counts["certain"], counts["possible"])

    def _called(self, key: _Key) -> tuple[str, str]:
        kind, name, more = key
        if kind not in ("suspect", "part"):
            return name, more
        description = self._catalogue.part[name].description
        return (f"lot {more}", f"{name} {description}") if more else (name, description)

    def _levels(self) -> dict[_Key, int]:
        """0 for suspects; each part one above what it holds, all units alike, and last the places."""
        units = [key for key in self._things if key[0] == "part" and self._catalogue.part[key[1]].sold]
        level = {key: int(key[0] != "suspect") for key in self._things}
        built = [(source, target) for source, target in self._pairs if target[0] == "part" and target not in units]
        for _ in built:
            for source, target in built:
                level[target] = max(level[target], level[source] + 1)
        of_units = max((level[key] for key in level if key[0] == "part" and key not in units), default=0) + 1
        level.update(dict.fromkeys(units, of_units))
        level.update((key, of_units + 1) for key in level if key[0] in ("consignee", "place"))
        return level

    def edges(self) -> list[SpreadEdge]:
        """From lower levels to higher ones."""
        return list(self._edges())

    def _edges(self) -> Iterator[SpreadEdge]:
        levels = self._levels()
        for (source, target), pairs in sorted(self._pairs.items()):
            if levels[source] < levels[target]:
                yield SpreadEdge("/".join(source), "/".join(target), len(pairs))
