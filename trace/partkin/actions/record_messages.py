"""The one write path: messages are judged in turn and recorded together, in one transaction."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from itertools import count
from typing import Any

from sqlalchemy import Connection

from partkin.actions.look_up_case import CaseMessage, is_freeze, look_up
from partkin.actions.rulebooks import Rulebooks
from partkin.actions.seal_journal import NotSealed, seal_journal
from partkin.actions.watch_cases import watched
from partkin.exports.labels import lay_out
from partkin.rules import answers
from partkin.rules.applying import apply
from partkin.rules.canonical_json import canonical
from partkin.rules.containment.listing import numbered
from partkin.rules.facts import FACTS_PER_ENTRY, Fact
from partkin.rules.judging import judge
from partkin.rules.known import Changes, Known
from partkin.rules.messages import Containment
from partkin.rules.moments import Moment
from partkin.rules.reading import ReadMessage, Rulebook, read_message, what_is_wanted
from partkin.store.books.changed_rows import note_changes
from partkin.store.books.known import fetch_known
from partkin.store.books.writing import write_changes
from partkin.store.catalogue import ask_revision
from partkin.store.database import Database, ending, join_recorders, record_alone
from partkin.store.journal.entries import (
    Entry,
    add_entries,
    ask_entries_of_messages,
    ask_numbers,
    next_numbers,
    numbers_one_by_one,
)


@dataclass(frozen=True, slots=True)
class MessagePost:
    """A message, read, with its canonical text."""

    read: ReadMessage
    text: str


@dataclass(frozen=True, slots=True)
class UnreadablePost:
    """What cannot be read as a message: what came, and the problem with it."""

    text: str
    problem: Mapping[str, Any]


Post = MessagePost | UnreadablePost


@dataclass(frozen=True, slots=True)
class Outcome:
    """The answer to a post: HTTP status and canonical JSON text."""

    status: int
    answer: str


def record_messages(
    database: Database, rulebooks: Rulebooks, posts: Sequence[Post], *, now: Moment, clock_slack: Moment
) -> list[Outcome]:
    """Record posts in one transaction; the outcomes, in their order, hold once this returns.

    Raises what the database raises when another process was faster, or when it cannot be reached: nothing is recorded
    then, and the posts may be tried again.
    """
    alone = any(isinstance(post, MessagePost) and is_freeze(post.read.message) for post in posts)
    if alone:
        with suppress(NotSealed):  # what is left to be sealed while others wait is little then
            seal_journal(database, now=now)
    with database.write_after(partial(_first_asked, posts, alone)) as (connection, (revision, answered)):
        batch = _Batch(connection, rulebooks.of(revision(), connection), now, clock_slack)
        outcomes = batch.record(posts, answered())
        with ending(connection):
            batch.write()
    return outcomes


def _first_asked(
    posts: Sequence[Post], alone: bool, connection: Connection
) -> tuple[Callable[[], int], Callable[[], dict[str, Entry]]]:
    """After the recorders' lock, the catalogue's revision, and the entries that repeats among the posts get again."""
    (record_alone if alone else join_recorders)(connection)
    ids = sorted({post.read.message.message_id for post in posts if isinstance(post, MessagePost)})
    return ask_revision(connection), ask_entries_of_messages(connection, ids)


def _count_new(posts: Sequence[Post], answered: Mapping[str, Entry]) -> int:
    """How many of the posts are no repeats, and so make an entry."""
    texts = {message_id: entry.message for message_id, entry in answered.items()}
    repeats = 0
    for post in posts:
        if isinstance(post, MessagePost):
            repeats += texts.setdefault(post.read.message.message_id, post.text) == post.text
    new_ids = texts.keys() - answered.keys()
    return len(posts) - repeats + len(new_ids)


@dataclass(slots=True)
class _Batch:
    connection: Connection
    rulebook: Rulebook
    now: Moment
    clock_slack: Moment
    known: Known = field(default_factory=Known)
    entries: list[Entry] = field(default_factory=list)
    """Not yet in the store."""

    def record(self, posts: Sequence[Post], answered: dict[str, Entry]) -> list[Outcome]:
        """The outcomes; what is left to `write` makes them true."""
        posts = [self._up_to_date(post) for post in posts]
        messages = [post for post in posts if isinstance(post, MessagePost)]
        new = [post.read for post in messages if post.read.message.message_id not in answered]
        count = _count_new(posts, answered)
        numbers = self._fetched(new, count) if new else iter(next_numbers(self.connection, count))
        outcomes = []
        for post in posts:
            first = answered.get(post.read.message.message_id) if isinstance(post, MessagePost) else None
            if isinstance(post, MessagePost) and first is not None and first.message == post.text:
                entry = first
            else:
                entry = self._entry(post, numbers, first)
                if entry.message_id is not None:
                    answered[entry.message_id] = entry
            outcomes.append(Outcome(entry.status, entry.answer))
        return outcomes

    def _fetched(self, new: Sequence[ReadMessage], count: int) -> Iterator[int]:
        """What is known; and numbers of entries: all at once, unless lists of cases may follow some of them."""
        drawn: list[Callable[[], Sequence[int]]] = []
        of_cases = any(isinstance(read.message, Containment) for read in new)

        def draw(known: Known) -> None:
            if not (known.case or of_cases):
                drawn.append(ask_numbers(self.connection, count))

        catalogue = self.rulebook.catalogue
        self.known = fetch_known(self.connection, what_is_wanted(new, catalogue), catalogue, ask_too=draw)
        return iter(drawn[0]()) if drawn else numbers_one_by_one(self.connection)

    def write(self) -> None:
        """Put what was recorded so far in the store."""
        add_entries(self.connection, self.entries)
        write_changes(self.connection, self.known.changes)
        if self.entries:
            note_changes(self.connection, self.known.changes, self.entries[0].id, self.entries[-1].id)
        self.entries, self.known.changes = [], Changes()

    def _up_to_date(self, post: Post) -> Post:
        """Read again what was read against an older catalogue."""
        if isinstance(post, MessagePost) and post.read.revision != self.rulebook.catalogue.revision:
            return MessagePost(read_message(post.read.message, self.rulebook), post.text)
        return post

    def _entry(self, post: Post, numbers: Iterator[int], first: Entry | None) -> Entry:
        """The new entry that answers a post; `first` is that of another message with the same id."""
        number = next(numbers)
        if isinstance(post, UnreadablePost):
            entry = self._unreadable(post, number)
        elif first is not None:
            problem = answers.reused(post.read.message.message_id, first.id)
            entry = self._unreadable(UnreadablePost(post.text, problem), number)
        else:
            return self._judged(post, number, numbers)
        self.entries.append(entry)
        return entry

    def _judged(self, post: MessagePost, number: int, numbers: Iterator[int]) -> Entry:
        message, known = post.read.message, self.known
        if isinstance(message, CaseMessage):
            self.write()
            known.found[message.message_id] = look_up(self.connection, post.read, known, self.now)
        judgement = judge(
            post.read,
            known,
            self.rulebook.catalogue,
            now=self.now,
            entry=number,
            clock_slack=self.clock_slack,
            lay_out=lay_out,
        )
        subject = known.items.get(judgement.subject) if judgement.subject is not None else None
        answer = answers.answer(judgement, subject, entry=number, message_id=message.message_id, recorded_at=self.now)
        entry = Entry(
            id=number,
            message_id=message.message_id,
            kind=message.kind,
            mode=message.mode,
            outcome="recorded" if judgement.accepted else "refused",
            scan_point=message.scan_point,
            operator=message.operator,
            occurred_at=message.moment,
            recorded_at=self.now,
            item_id=subject.id if subject is not None and judgement.accepted else None,
            status=answers.RECORDED if judgement.accepted else answers.REFUSED,
            message=post.text,
            answer=answer,
        )
        self.entries.append(entry)
        self._list(judgement.listing, number, numbers)
        if known.case:
            catalogue = self.rulebook.catalogue
            more = watched(self.connection, known, catalogue, message, judgement, number, self.write)
            self._list(more, number, numbers)
        return entry

    def _list(self, facts: Sequence[Fact], because: int, numbers: Iterator[int]) -> None:
        """Entries after that of a message: what cases list, drop, stop or let go because of it."""
        for start in range(0, len(facts), FACTS_PER_ENTRY):
            number = next(numbers)
            rows = count(number * FACTS_PER_ENTRY)
            listed = numbered(facts[start : start + FACTS_PER_ENTRY], rows)
            for fact in listed:
                apply(fact, self.known)
            answer = answers.listed(listed, because, entry=number, recorded_at=self.now)
            self.entries.append(
                Entry(
                    id=number,
                    message_id=None,
                    kind="case-list",
                    mode=None,
                    outcome="recorded",
                    scan_point=None,
                    operator=None,
                    occurred_at=None,
                    recorded_at=self.now,
                    item_id=None,
                    status=answers.RECORDED,
                    message=canonical({"because": because}),
                    answer=answer,
                    because=because,
                )
            )

    def _unreadable(self, post: UnreadablePost, number: int) -> Entry:
        answer = answers.unreadable(post.problem, entry=number, recorded_at=self.now)
        return Entry(
            id=number,
            message_id=None,
            kind="unreadable",
            mode=None,
            outcome="unreadable",
            scan_point=None,
            operator=None,
            occurred_at=None,
            recorded_at=self.now,
            item_id=None,
            status=answer["status"],
            message=canonical({"received": post.text}),
            answer=canonical(answer),
        )
