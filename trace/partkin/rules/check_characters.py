"""Check characters: what a number carries so that a misread or mistyped character is noticed.

They do not protect against forgery, and each scheme notices some mistakes better than others: for serial numbers of
one's own take iso7064-mod-37-2 (may end in *), iso7064-mod-37-36 (never does) or a scheme with two characters.

Sources: GS1 General Specifications 7.9 (modulo 10, check character pair); ISO/IEC 7812-1 (Luhn); ISO/IEC 7064:2003;
J. Verhoeff, Error Detecting Decimal Codes (1969); H. M. Damm, Total anti-symmetrische Quasigruppen (2004);
ISO/IEC 16388 (Code 39); 49 CFR 565.15 (VIN).
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from operator import mul
from types import MappingProxyType

DIGITS = "0123456789"
CAPITALS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
CSET_82 = "!\"%&'()*+,-./" + DIGITS + ":;<=>?" + CAPITALS + "_" + CAPITALS.lower()
"""The characters that GS1 element strings may use, in the order of their values."""

SEPARATORS = "-./_ "
"""What people put between groups of characters; not counted where a scheme's alphabet does not have it."""


class ForeignCharacter(ValueError):
    """A character that the scheme's alphabet does not have."""

    def __init__(self, place: int, character: str, scheme: str) -> None:
        super().__init__(f"{character!r} at place {place} is not in the alphabet of {scheme}")
        self.place = place
        """From 1."""
        self.character = character
        self.scheme = scheme


class BodyLengthWrong(ValueError):
    """A body that is too short or too long for the scheme."""

    def __init__(self, found: int, allowed: range, scheme: str) -> None:
        least, most = allowed[0], allowed[-1]
        needed = f"{most}" if least == most else f"at most {most}"
        super().__init__(f"{scheme} takes {needed} characters before its check, not {found}")
        self.found = found
        self.allowed = allowed
        self.scheme = scheme


class CheckCharacterWrong(ValueError):
    """The check characters do not fit the body."""

    def __init__(self, found: str, expected: str) -> None:
        super().__init__(f"the check is {found!r} where {expected!r} is expected")
        self.found = found
        self.expected = expected


@dataclass(frozen=True, slots=True)
class CheckScheme:
    """One way to compute check characters from the characters before them (for `vin`: around them)."""

    name: str
    alphabet: str
    """The characters that a body may have."""
    length: int
    """How many check characters there are."""
    rule: Callable[[list[int]], str]
    """From the places in the alphabet of the body's characters to the check characters."""
    body_lengths: range = range(sys.maxsize)
    _place_of: dict[str, int] = field(init=False, repr=False, compare=False)
    _dropped: dict[int, None] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_place_of", {character: place for place, character in enumerate(self.alphabet)})
        object.__setattr__(self, "_dropped", {ord(mark): None for mark in SEPARATORS if mark not in self.alphabet})

    def compute(self, body: str) -> str:
        """The check characters of a body; of a VIN without its position 9.

        Raises ForeignCharacter, and BodyLengthWrong where the scheme has a limit.
        """
        if len(body) not in self.body_lengths:
            raise BodyLengthWrong(len(body), self.body_lengths, self.name)
        try:
            values = [self._place_of[character] for character in body]
        except KeyError as unknown:
            character = unknown.args[0]
            raise ForeignCharacter(body.index(character) + 1, character, self.name) from None
        return self.rule(values)

    def verify(self, body: str, check: str) -> None:
        """Raise CheckCharacterWrong unless `check` fits `body`; raises what `compute` raises, too."""
        expected = self.compute(body)
        if check != expected:
            raise CheckCharacterWrong(check, expected)

    def without_separators(self, text: str) -> str:
        """The text without the separators that the alphabet does not have."""
        return text.translate(self._dropped)


def _gs1_mod_10(values: list[int]) -> str:
    return DIGITS[-(3 * sum(values[-1::-2]) + sum(values[-2::-2])) % 10]


_DOUBLED = (0, 2, 4, 6, 8, 1, 3, 5, 7, 9)


def _luhn(values: list[int]) -> str:
    return DIGITS[-(sum(_DOUBLED[value] for value in values[-1::-2]) + sum(values[-2::-2])) % 10]


_DAMM = tuple(
    tuple(int(digit) for digit in row)
    for row in (
        "0317598642 7092154863 4206871359 1750983426 6123045978 3674209581 5869720134 8945362017 9438617205 2581436790"
    ).split()
)


def _damm(values: list[int]) -> str:
    interim = 0
    for value in values:
        interim = _DAMM[interim][value]
    return DIGITS[interim]


def _dihedral(left: int, right: int) -> int:
    """The product in the symmetries of a pentagon: 0-4 turn it, 5-9 flip it."""
    turn = (left + right if left < 5 else left - right) % 5
    return turn if (left < 5) == (right < 5) else turn + 5


def _verhoeff_permutations() -> tuple[tuple[int, ...], ...]:
    first = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)
    permutations = [tuple(range(10))]
    for _ in range(7):
        permutations.append(tuple(first[value] for value in permutations[-1]))
    return tuple(permutations)


_PRODUCT = tuple(tuple(_dihedral(left, right) for right in range(10)) for left in range(10))
_PERMUTATIONS = _verhoeff_permutations()


def _verhoeff(values: list[int]) -> str:
    product = 0
    for place, value in enumerate(reversed(values), start=1):
        product = _PRODUCT[product][_PERMUTATIONS[place % 8][value]]
    return DIGITS[_PRODUCT[product].index(0)]


def _pure_system(modulus: int, radix: int, check_alphabet: str) -> Callable[[list[int]], str]:
    """A pure system of ISO/IEC 7064: the weighted sum with the check character is 1 modulo the modulus."""

    def rule(values: list[int]) -> str:
        return check_alphabet[(1 - _weighted_sum(values, radix)) % modulus]

    return rule


def _pure_pair(modulus: int, alphabet: str, least: int = 0) -> Callable[[list[int]], str]:
    """A pure system with two check characters, which together have a value of `least` or more."""
    radix = len(alphabet)

    def rule(values: list[int]) -> str:
        check = 1 - _weighted_sum(values, radix) * radix
        first, second = divmod((check - least) % modulus + least, radix)
        return alphabet[first] + alphabet[second]

    return rule


def _weighted_sum(values: list[int], radix: int) -> int:
    total = 0
    for value in values:
        total = (total + value) * radix
    return total


def _hybrid_system(alphabet: str) -> Callable[[list[int]], str]:
    """A hybrid system of ISO/IEC 7064 for the moduli n + 1 and n, n being the size of the alphabet."""
    size = len(alphabet)

    def rule(values: list[int]) -> str:
        product = size
        for value in values:
            product = ((product + value) % size or size) * 2 % (size + 1)
        return alphabet[(1 - product) % size]

    return rule


_CODE_39 = DIGITS + CAPITALS + "-. $/+%"


def _code_39(values: list[int]) -> str:
    return _CODE_39[sum(values) % 43]


_PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71, 73, 79, 83)
_CSET_32 = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"


def _gs1_pair(values: list[int]) -> str:
    first, second = divmod(sum(map(mul, reversed(values), _PRIMES)) % 1021, 32)
    return _CSET_32[first] + _CSET_32[second]


_VIN = DIGITS + "ABCDEFGHJKLMNPRSTUVWXYZ"
_VIN_VALUES = (*range(10), 1, 2, 3, 4, 5, 6, 7, 8, 1, 2, 3, 4, 5, 7, 9, 2, 3, 4, 5, 6, 7, 8, 9)
_VIN_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 9, 8, 7, 6, 5, 4, 3, 2)


def _vin(values: list[int]) -> str:
    return "0123456789X"[sum(map(mul, (_VIN_VALUES[value] for value in values), _VIN_WEIGHTS)) % 11]


_BOTH = DIGITS + CAPITALS

SCHEMES: Mapping[str, CheckScheme] = MappingProxyType(
    {
        scheme.name: scheme
        for scheme in (
            CheckScheme("gs1-mod-10", DIGITS, 1, _gs1_mod_10),
            CheckScheme("luhn", DIGITS, 1, _luhn),
            CheckScheme("damm", DIGITS, 1, _damm),
            CheckScheme("verhoeff", DIGITS, 1, _verhoeff),
            CheckScheme("iso7064-mod-11-2", DIGITS, 1, _pure_system(11, 2, DIGITS + "X")),
            CheckScheme("iso7064-mod-37-2", _BOTH, 1, _pure_system(37, 2, _BOTH + "*")),
            # 02 to 98, as the bank account numbers of ISO 13616 have it: 97 and 98 in place of 00 and 01.
            CheckScheme("iso7064-mod-97-10", DIGITS, 2, _pure_pair(97, DIGITS, least=2)),
            CheckScheme("iso7064-mod-661-26", CAPITALS, 2, _pure_pair(661, CAPITALS)),
            CheckScheme("iso7064-mod-1271-36", _BOTH, 2, _pure_pair(1271, _BOTH)),
            CheckScheme("iso7064-mod-11-10", DIGITS, 1, _hybrid_system(DIGITS)),
            CheckScheme("iso7064-mod-27-26", CAPITALS, 1, _hybrid_system(CAPITALS)),
            CheckScheme("iso7064-mod-37-36", _BOTH, 1, _hybrid_system(_BOTH)),
            CheckScheme("code39-mod-43", _CODE_39, 1, _code_39),
            CheckScheme("gs1-check-pair", CSET_82, 2, _gs1_pair, range(len(_PRIMES) + 1)),
            CheckScheme("vin", _VIN, 1, _vin, range(len(_VIN_WEIGHTS), len(_VIN_WEIGHTS) + 1)),
        )
    }
)
