"""The catalogue in the store: whatever it was before, it becomes what the changes say."""

from __future__ import annotations

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from api_tests.catalogues import catalogues
from partkin.rules.catalogue import Catalogue
from partkin.rules.catalogue.changes import changes_between
from partkin.store.catalogue import apply_changes, read_catalogue
from partkin.store.database import Database

NEXT = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
"""The store stays from one example to the next, so that each changes what the one before left."""


@NEXT
@given(new=catalogues(codes=st.sampled_from("ABCDEFGH")))
def test_the_stored_catalogue_becomes_the_new_one(store_url: str, new: Catalogue) -> None:
    database = Database(store_url)
    with database.write() as connection:
        old = read_catalogue(connection)
        apply_changes(connection, changes_between(old, new), revision=old.revision + 1)
    with database.read() as connection:
        stored = read_catalogue(connection)
    assert not changes_between(stored, new)
    assert stored.revision == old.revision + 1
    assert (stored.parts, stored.alternates, stored.route_steps) == (
        new.parts,
        new.alternates,
        new.route_steps,
    )
    database.close()
