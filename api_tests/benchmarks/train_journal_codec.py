"""Train a dictionary for `journal_codec.py` from journals of the demo; say how well it packs others.

Run it from the repository: python -m api_tests.benchmarks.train_journal_codec FILE [--measure STORE …]

What belongs to one plant is made unknown before the training: every code (part numbers, positions, serial
numbers, badges, moments, hosts) gets other letters and digits, in each entry anew. So the dictionary
holds the fixed words of messages and answers, and fits any catalogue. Every kind of message counts, however few the
demo has of it. The same demos give the same dictionary, but for what depends on which of their stations is faster.
"""

from __future__ import annotations

import argparse
import random
import re
import string
import subprocess
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from time import perf_counter

import zstandard

from partkin.store.database import Database
from partkin.store.journal.dictionaries import codec_to_pack
from partkin.store.journal.entries import Entry, head_of, marked, read_entries
from partkin.store.journal.journal_codec import Codec

SEEDS = (7, 11)
UNITS = 200
SIZE = 24 * 1024
SAMPLES = 600
"""Of each kind of message; marriages are most of any journal, and count four times."""
FEWEST = 10
LONGEST = 8000
"""Characters: lists are no sample of what is usual."""
ESCAPE, MOMENT, HOST = r"\\u[0-9a-f]{4}", r"20(\d\d-\d\d-\d\d)T(\d\d:\d\d:\d\d)", "(?<=://)[a-z.]+"
WORD = re.compile(f"{ESCAPE}|{MOMENT}|{HOST}|[A-Za-z0-9]+")
KEPT = re.compile(rf"{ESCAPE}|[0-9]|0+Z?|[A-Za-z]|[A-Z]?[a-z]+")
"""Escapes, single digits and letters, parts of moments that are mostly zero, words."""


def main() -> None:
    """Train, or measure, or both."""
    parser = argparse.ArgumentParser()
    parser.add_argument("file", nargs="?", type=Path, help="where to write the dictionary; a new number, a new file")
    parser.add_argument("--measure", nargs="*", default=[], metavar="STORE", help="URLs of stores")
    options = parser.parse_args()
    if options.file is not None:
        options.file.write_bytes(trained())
    for url in options.measure:
        measure(url)


def trained() -> bytes:
    """The dictionary."""
    with tempfile.TemporaryDirectory() as folder:
        stores = [played(f"sqlite:///{folder}/{seed}.db", seed) for seed in SEEDS]
        entries = [entry for store in stores for entry in journal(store)[0]]
    return zstandard.train_dictionary(SIZE, list(samples(entries, random.Random(1))), level=6).as_bytes()


def played(store: str, seed: int) -> str:
    """A store in which the demo was played."""
    command = [sys.executable, "-c", "from partkin.command_line import main; main()", "demo", "--once", "--port", "0"]
    subprocess.run([*command, "--seed", str(seed), "--units", str(UNITS), "--store", store], check=True)
    return store


def journal(store: str) -> tuple[list[Entry], Codec]:
    """All entries of a store, and what packs its next one."""
    database = Database(store)
    with database.read() as connection:
        entries, codec = list(read_entries(connection)), codec_to_pack(connection)
    database.close()
    return entries, codec


def samples(entries: Iterable[Entry], chance: random.Random) -> Iterator[bytes]:
    """What the compressor is given for some entries of each kind, without what belongs to the plant."""
    by_kind: Mapping[str, list[Entry]] = defaultdict(list)
    for entry in entries:
        if entry.kind != "catalogue" and len(entry.answer) <= LONGEST:
            by_kind[entry.kind].append(entry)
    for kind in sorted(by_kind):
        most = SAMPLES * 4 if kind == "marriage" else SAMPLES
        chosen = chance.sample(by_kind[kind], min(most, len(by_kind[kind])))
        for entry in [*chosen, *chance.choices(chosen, k=max(0, FEWEST - len(chosen)))]:
            yield unknown(marked(entry), chance).encode()


def unknown(said: str, chance: random.Random) -> str:
    """A text whose codes are others; where one stood twice, the other does."""
    others: dict[str, str] = {}

    def other(found: re.Match[str]) -> str:
        word = found[0]
        if word not in others:
            kept = KEPT.fullmatch(word)
            others[word] = word if kept else "".join(_sign(sign, chance) for sign in word)
            if found[1] is not None:
                others[word] = f"20{others[word][2:10]}T{others[word][11:]}"
        return others[word]

    return WORD.sub(other, said)


def _sign(sign: str, chance: random.Random) -> str:
    signs = (string.digits, string.ascii_uppercase, string.ascii_lowercase)
    return chance.choice(next((some for some in signs if sign in some), sign))


def measure(url: str) -> None:
    """Bytes and microseconds an entry, with the newest dictionary of the store."""
    entries, codec = journal(url)
    print(f"\n{url}: {len(entries)} entries\n\n| kind | entries | bytes | packed | µs to pack | to unpack |")
    print("|---|---|---|---|---|---|")
    by_kind: Mapping[str, list[Entry]] = defaultdict(list)
    for entry in entries:
        by_kind[entry.kind].append(entry)
    for kind, some in sorted(by_kind.items(), key=lambda one: -len(one[1])):
        print_measured(kind, some, codec)
    print_measured("all", entries, codec)


def print_measured(name: str, entries: Sequence[Entry], codec: Codec) -> None:
    """A line of the table."""
    heads = list(map(head_of, entries))
    texts = [(entry.message, entry.answer) for entry in entries]
    began = perf_counter()
    packed = [codec.pack(head, *both) for head, both in zip(heads, texts, strict=True)]
    between = perf_counter()
    unpacked = [codec.unpack(head, one) for head, one in zip(heads, packed, strict=True)]
    ended = perf_counter()
    assert unpacked == texts
    count = len(entries)
    said, kept = (sum(len(one.encode()) for both in texts for one in both), sum(map(len, packed)))
    print(
        f"| {name} | {count:,} | {said / count:,.0f} | {kept / count:,.0f} "
        f"| {(between - began) / count * 1e6:.1f} | {(ended - between) / count * 1e6:.1f} |"
    )


if __name__ == "__main__":
    main()
