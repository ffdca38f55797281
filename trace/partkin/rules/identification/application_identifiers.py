"""The GS1 application identifiers: what each stands for, how its value looks, with what it may stand together.

Source: GS1 General Specifications chapter 3 and section 4.13 (pairings), as published in the GS1 Barcode Syntax
Dictionary (2025), with which a test compares them all. New editions add some.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from partkin.rules.identification.linters import CHARACTERS, LINTERS, Fault, Linter
from partkin.rules.identification.readings import in_words

_PREDEFINED = frozenset("00 01 02 03 04 11 12 13 14 15 16 17 18 19 20 31 32 33 34 35 36 41".split())
"""First two digits of the identifiers whose values have a predefined length and need no separator (GenSpecs 7.8.5)."""

_NEEDED = {"N": "a digit", "X": "a letter, a digit or common punctuation", "Y": "A-Z, 0-9, #, - or /"}
_COMPONENT = re.compile(
    r"(?P<open>\[?)(?P<kind>[NXYZ])(?P<up_to>(?:\.\.)?)(?P<most>[0-9]+)]?(?P<linters>(?::[a-z0-9]+)*)"
)


@dataclass(frozen=True, slots=True)
class Component:
    """A part of a value."""

    kind: str
    """N digits, X CSET 82, Y CSET 39, Z base64url."""
    least: int
    most: int
    optional: bool
    linters: tuple[str, ...]

    @property
    def pattern(self) -> str:
        """As a regular expression with one group."""
        return f"([{re.escape(CHARACTERS[self.kind])}]{{{self.least},{self.most}}})"


def _components(form: str) -> Iterator[Component]:
    """Read a form such as "N13:csum [X..17]": up to 17 characters of CSET 82 may follow 13 digits."""
    for found in _COMPONENT.finditer(form):
        most = int(found["most"])
        least = 1 if found["up_to"] else most
        linters = tuple(found["linters"].split(":")[1:])
        yield Component(found["kind"], least, most, bool(found["open"]), linters)


def _value_pattern(components: tuple[Component, ...]) -> re.Pattern[str]:
    optional = [component for component in components if component.optional]
    required = "".join(component.pattern for component in components if not component.optional)
    return re.compile(required + "".join(f"(?:{one.pattern}" for one in optional) + ")?" * len(optional))


@dataclass(frozen=True, slots=True)
class ApplicationIdentifier:
    """One of them; ready for reading values."""

    ai: str
    title: str
    components: tuple[Component, ...]
    needs: tuple[tuple[frozenset[str], ...], ...]
    """Alternatives; of each set of an alternative one must stand in the same message. None: it can stand alone."""
    never: frozenset[str]
    """What must not stand in the same message."""
    qualifiers: tuple[tuple[str, ...], ...] | None
    """For a primary key of GS1 Digital Link: alternatives of what may follow it in the path, in this order."""
    attribute: bool
    """Allowed in the query of a GS1 Digital Link URI."""
    pattern: re.Pattern[str]
    linters: tuple[tuple[int, Linter], ...]
    """With the groups of the pattern that they look at."""

    @property
    def predefined_length(self) -> bool:
        """Whether its value needs no separator after it."""
        return self.ai[:2] in _PREDEFINED

    @property
    def length(self) -> int:
        """The most characters that a value can have."""
        return sum(component.most for component in self.components)

    @property
    def fixed_length(self) -> bool:
        """Whether all its values have the same number of characters."""
        return all(component.least == component.most and not component.optional for component in self.components)

    @property
    def named(self) -> str:
        """For a message: (01) GTIN."""
        return f"({self.ai}) {self.title}".rstrip()

    def fault(self, text: str, start: int, end: int) -> Fault | None:
        """What is wrong with the value in text[start:end]; the fault's index is one of the text."""
        found = self.pattern.fullmatch(text, start, end)
        if found is None:
            return self._form_fault(text[start:end], start)
        for group, linter in self.linters:
            component = found[group]
            if component is not None and (fault := linter(component)):
                return Fault(found.start(group) + fault.at, fault.words, fault.reason)
        return None

    def _form_fault(self, value: str, start: int) -> Fault:
        at = 0
        for component in self.components:
            allowed = CHARACTERS[component.kind]
            for index, character in enumerate(value[at : at + component.most], start + at):
                if character not in allowed:
                    needed = _NEEDED.get(component.kind, "a character of base64url")
                    return Fault(index, f"has {in_words(character)} where {needed} is needed")
            at += component.most
        least = sum(component.least for component in self.components if not component.optional)
        if not value:
            return Fault(start, "is empty")
        if len(value) > self.length:
            return Fault(start + self.length, f"has length {len(value)} where {self._span(least)} is allowed")
        return Fault(start, f"has length {len(value)} where {self._span(least)} is needed")

    def _span(self, least: int) -> str:
        if any(component.optional and component.least > 1 for component in self.components):
            sizes = [least]
            for component in self.components:
                if component.optional:
                    sizes.append(sizes[-1] + component.most)
            return " or ".join(map(str, sizes))
        return str(least) if least == self.length else f"{least} to {self.length}"


@dataclass(frozen=True, slots=True)
class _Alike:
    """Application identifiers that differ in nothing but their meaning."""

    form: str
    titles: Mapping[str, str]
    """By identifier, or by a range such as 91-99, where {0} counts from 0 and {1} from 1."""
    needs: str = ""
    """Alternatives after commas, + for and, n for any digit."""
    never: str = ""
    link: str = "attribute"
    """In GS1 Digital Link: "attribute", "none", or "key" with alternatives of qualifiers after commas."""


_GTINS = "01,02,03,8006,8026"
_MEASURED = "30,31nn,32nn,35nn,36nn"

_TABLE = (
    # Keys
    _Alike("N18:csum:gcppos2", {"00": "SSCC"}, link="key"),
    _Alike("N14:csum:gcppos2", {"01": "GTIN"}, never="255,37", link="key 22 10 21,235"),
    _Alike("N14:csum:gcppos2", {"02": "CONTENT"}, needs="37", never="01,03"),
    _Alike("N14:csum:gcppos2", {"03": "MTO GTIN"}, never="01,02,37,235", link="none"),
    _Alike("N13:csum:gcppos1 [X..17]", {"253": "GDTI"}, link="key"),
    _Alike("N13:csum:gcppos1 [N..12]", {"255": "GCN"}, never="01,02,415,8006,8020,8026", link="key"),
    _Alike("X..30:gcppos1", {"401": "GINC"}, link="key"),
    _Alike("N17:csum:gcppos1", {"402": "GSIN"}, link="key"),
    _Alike("N13:csum:gcppos1", {"414": "LOC No."}, link="key 254,7040"),
    _Alike("N13:csum:gcppos1", {"415": "PAY TO"}, needs="8020", link="key 8020"),
    _Alike("N13:csum:gcppos1", {"417": "PARTY"}, link="key 7040"),
    _Alike("N1:zero N13:csum:gcppos1 [X..16]", {"8003": "GRAI"}, link="key"),
    _Alike("X..30:gcppos1", {"8004": "GIAI"}, link="key 7040"),
    _Alike("N14:csum:gcppos2 N4:pieceoftotal", {"8006": "ITIP"}, never="01,03,37", link="key 22 10 21"),
    _Alike("Y..30:gcppos1", {"8010": "CPID"}, link="key 8011"),
    _Alike("X..25:csumalpha:gcppos1", {"8013": "GMN"}, link="key"),
    _Alike("N18:csum:gcppos1", {"8017": "GSRN - PROVIDER"}, never="8018", link="key 8019"),
    _Alike("N18:csum:gcppos1", {"8018": "GSRN - RECIPIENT"}, never="8017", link="key 8019"),
    # What goes with a key
    _Alike("X..20", {"10": "BATCH/LOT"}, _GTINS),
    _Alike("X..20", {"21": "SERIAL"}, "01,03,8006", "235", "none"),
    _Alike("X..20", {"22": "CPV"}, "01", link="none"),
    _Alike("X..28", {"235": "TPX"}, "01", link="none"),
    _Alike("X..20", {"254": "GLN EXTENSION COMPONENT"}, "414", link="none"),
    _Alike("N1 X1 X1 X1:importeridx", {"7040": "UIC+EXT"}, link="none"),
    _Alike("N..12:nozeroprefix", {"8011": "CPID SERIAL"}, "8010", link="none"),
    _Alike("N..10", {"8019": "SRIN"}, "8017,8018", link="none"),
    _Alike("X..25", {"8020": "REF No."}, "415", link="none"),
    _Alike("N14:csum:gcppos2 N4:pieceoftotal", {"8026": "ITIP CONTENT"}, "37", "02,03,8006"),
    # Dates
    _Alike(
        "N6:yymmd0", {"11": "PROD DATE", "13": "PACK DATE", "15": "BEST BEFORE or BEST BY", "16": "SELL BY"}, _GTINS
    ),
    _Alike("N6:yymmd0", {"12": "DUE DATE"}, "8020"),
    _Alike("N6:yymmd0", {"17": "USE BY or EXPIRY"}, "01,02,03,255,8006,8026"),
    _Alike("N6:yymmdd N4:hhmi", {"7003": "EXPIRY TIME"}, "01,02,03"),
    _Alike("N6:yymmdd", {"7006": "FIRST FREEZE DATE"}, "01,02"),
    _Alike("N6:yymmdd [N6]:yymmdd", {"7007": "HARVEST DATE"}, "01,02"),
    _Alike("N6:yymmdd [N4]:hhmi", {"7011": "TEST BY DATE"}, "01,02,03"),
    _Alike("N6:yymmdd N2:hh [N2]:mi [N2]:ss", {"8008": "PROD TIME"}, "01,02,03"),
    # More about a trade item
    _Alike("N2", {"20": "VARIANT"}, _GTINS),
    _Alike("X..30", {"240": "ADDITIONAL ID", "241": "CUST. PART No."}, _GTINS),
    _Alike("N..6", {"242": "MTO VARIANT"}, "01,02,8006,8026"),
    _Alike("X..20", {"243": "PCN"}, "01,03"),
    _Alike("X..30", {"250": "SECONDARY SERIAL"}, "01+21,03+21,8006+21"),
    _Alike("X..30", {"251": "REF. TO SOURCE"}, "01,03,8006"),
    _Alike("N..8", {"30": "VAR. COUNT"}, "01,02"),
    _Alike("N..8", {"37": "COUNT"}, "00+02,00+8026"),
    _Alike("X..20", {"7020": "REFURB LOT"}, "01+416,03+416,8006+416"),
    _Alike("X..20", {"7021": "FUNC STAT"}, "01,03,8006"),
    _Alike("X..20", {"7022": "REV STAT"}, "01+7021,03+7021,8006+7021"),
    _Alike("X..30:gcppos1", {"7023": "GIAI - ASSEMBLY"}),
    _Alike("X2 X..28", {"7230-7239": "CERT # {1}"}, "01,8004"),
    _Alike("X..20", {"7240": "PROTOCOL"}, "01,8006", "03"),
    _Alike("N4:nonzero N5:nonzero N3:nonzero N1:winding N1", {"8001": "DIMENSIONS"}, "01"),
    _Alike("X..20", {"8002": "CMT No."}),
    _Alike("N6", {"8005": "PRICE PER UNIT"}, "01,02"),
    _Alike("X..50", {"8009": "OPTSEN"}, "00,01,03"),
    _Alike("X..20", {"8012": "VERSION"}, "01,03,8006"),
    _Alike("X..25:csumalpha:gcppos1:hasnondigit", {"8014": "MUDI"}, "01", link="none"),
    _Alike("Z..90", {"8030": "DIGSIG"}, "00,01+21,03+21,253,255,8003,8004,8006+21,8010+8011,8017,8018"),
    _Alike("N15", {"8040": "IMEI"}, "01+21", link="none"),
    _Alike("N15", {"8041": "IMEI2"}, "01+21+8040", link="none"),
    _Alike("N32", {"8042": "ESIM"}, "01+21+8040", link="none"),
    _Alike("N18 [N..2]", {"8043": "PSIM"}, "01+21+8040", link="none"),
    _Alike("X..70", {"8200": "PRODUCT URL"}, "01", link="none"),
    _Alike("X..30", {"90": "INTERNAL"}),
    _Alike("X..90", {"91-99": "INTERNAL"}),
    # Food and health care
    _Alike("N13", {"7001": "NSN"}, "01,02,8006,8026"),
    _Alike("X..30", {"7002": "MEAT CUT"}, "01,02"),
    _Alike("N..4", {"7004": "ACTIVE POTENCY"}, "01+10,03+10"),
    _Alike("X..12", {"7005": "CATCH AREA"}, "01,02"),
    _Alike("X..3", {"7008": "AQUATIC SPECIES"}, "01,02"),
    _Alike("X..10", {"7009": "FISHING GEAR TYPE"}, "01,02"),
    _Alike("X..2", {"7010": "PROD METHOD"}, "01,02,03"),
    _Alike("N3:iso3166999 X..27", {"7030-7039": "PROCESSOR # {0}"}, "01,02"),
    _Alike(
        "X..20",
        {
            "710": "NHRN PZN",
            "711": "NHRN CIP",
            "712": "NHRN CN",
            "713": "NHRN DRN",
            "714": "NHRN AIM",
            "715": "NHRN NDC",
            "716": "NHRN AIC",
            "717": "NHRN SRN",
        },
        "01",
    ),
    _Alike("N2:mediatype", {"7241": "AIDC MEDIA TYPE"}, "8017,8018"),
    _Alike("X..25", {"7242": "VCN"}, "8017,8018"),
    _Alike("N8:yyyymmdd", {"7250": "DOB"}, "8018", "7251"),
    _Alike("N8:yyyymmdd N4:hhmi", {"7251": "DOB TIME"}, "8018", "7250"),
    _Alike("N1:iso5218", {"7252": "BIO SEX"}, "8018"),
    _Alike("X..40:pcenc", {"7253": "FAMILY NAME", "7254": "GIVEN NAME"}, "8017,8018", "7256,7259"),
    _Alike("X..10", {"7255": "SUFFIX"}, "8017,8018", "7256,7259"),
    _Alike("X..90:pcenc", {"7256": "FULL NAME"}, "8017,8018"),
    _Alike("X..70:pcenc", {"7257": "PERSON ADDR"}, "8018"),
    _Alike("X3:posinseqslash", {"7258": "BIRTH SEQUENCE"}, "8018+7259"),
    _Alike("X..40:pcenc", {"7259": "BABY"}, "8018", "7256"),
    # Measures; the fourth digit tells the decimals
    *(
        _Alike("N6", {f"{family}0-{family}5": title}, needs, f"{family}n")
        for needs, titles in {
            "01,02": {
                310: "NET WEIGHT (kg)",
                311: "LENGTH (m)",
                312: "WIDTH (m)",
                313: "HEIGHT (m)",
                314: "AREA (m²)",
                315: "NET VOLUME (l)",
                316: "NET VOLUME (m³)",
                320: "NET WEIGHT (lb)",
                321: "LENGTH (in)",
                322: "LENGTH (ft)",
                323: "LENGTH (yd)",
                324: "WIDTH (in)",
                325: "WIDTH (ft)",
                326: "WIDTH (yd)",
                327: "HEIGHT (in)",
                328: "HEIGHT (ft)",
                329: "HEIGHT (yd)",
                350: "AREA (in²)",
                351: "AREA (ft²)",
                352: "AREA (yd²)",
                356: "NET WEIGHT (tr oz)",
                357: "NET VOLUME (oz)",
                360: "NET VOLUME (qt (US))",
                361: "NET VOLUME (gal.)",
                364: "NET VOLUME (in³)",
                365: "NET VOLUME (ft³)",
                366: "NET VOLUME (yd³)",
            },
            "00,01": {
                330: "GROSS WEIGHT (kg)",
                331: "LENGTH (m), log",
                332: "WIDTH (m), log",
                333: "HEIGHT (m), log",
                334: "AREA (m²), log",
                335: "VOLUME (l), log",
                336: "VOLUME (m³), log",
                340: "GROSS WEIGHT (lb)",
                341: "LENGTH (in), log",
                342: "LENGTH (ft), log",
                343: "LENGTH (yd), log",
                344: "WIDTH (in), log",
                345: "WIDTH (ft), log",
                346: "WIDTH (yd), log",
                347: "HEIGHT (in), log",
                348: "HEIGHT (ft), log",
                349: "HEIGHT (yd), log",
                353: "AREA (in²), log",
                354: "AREA (ft²), log",
                355: "AREA (yd²), log",
                362: "VOLUME (qt (US)), log",
                363: "VOLUME (gal (US)), log",
                367: "VOLUME (in³), log",
                368: "VOLUME (ft³), log",
                369: "VOLUME (yd³), log",
            },
            "01": {337: "KG PER m²"},
        }.items()
        for family, title in titles.items()
    ),
    # Money
    _Alike("N..15", {"3900-3909": "AMOUNT"}, "255,8020", "390n,391n,394n,8111"),
    _Alike("N3:iso4217 N..15", {"3910-3919": "AMOUNT"}, "8020", "391n"),
    _Alike("N..15", {"3920-3929": "PRICE"}, "01+30,01+31nn,01+32nn,01+35nn,01+36nn", "392n,393n"),
    _Alike("N3:iso4217 N..15", {"3930-3939": "PRICE"}, _MEASURED, "393n"),
    _Alike("N4", {"3940-3943": "PRCNT OFF"}, "255", "394n,8111"),
    _Alike("N6", {"3950-3955": "PRICE/UoM"}, _MEASURED, "392n,393n,395n,8005"),
    _Alike("X..34:iban", {"8007": "IBAN"}, "415"),
    _Alike("X..70:couponcode", {"8110": ""}),
    _Alike("N4", {"8111": "POINTS"}, "255"),
    _Alike("X..70:couponposoffer", {"8112": ""}),
    # Places and transport
    _Alike("X..30", {"400": "ORDER NUMBER"}),
    _Alike("X..30", {"403": "ROUTE"}, "00"),
    _Alike(
        "N13:csum:gcppos1",
        {"410": "SHIP TO LOC", "411": "BILL TO", "412": "PURCHASE FROM", "413": "SHIP FOR LOC", "416": "PROD/SERV LOC"},
    ),
    _Alike("X..20", {"420": "SHIP TO POST"}, never="421"),
    _Alike("N3:iso3166 X..9", {"421": "SHIP TO POST"}, never="4307"),
    _Alike("N3:iso3166", {"422": "ORIGIN"}, "01,02,03,8006,8026", "426"),
    _Alike(
        "N3:iso3166 [N3]:iso3166 [N3]:iso3166 [N3]:iso3166 [N3]:iso3166",
        {"423": "COUNTRY - INITIAL PROCESS", "425": "COUNTRY - DISASSEMBLY"},
        "01,02,03",
        "426",
    ),
    _Alike("N3:iso3166", {"424": "COUNTRY - PROCESS"}, "01,02,03", "426"),
    _Alike("N3:iso3166", {"426": "COUNTRY - FULL PROCESS"}, "01,02,03"),
    _Alike("X..3", {"427": "ORIGIN SUBDIVISION"}, "01+422,02+422,03+422"),
    _Alike(
        "X..35:pcenc",
        {
            "4300": "SHIP TO COMP",
            "4301": "SHIP TO NAME",
            "4310": "RTN TO COMP",
            "4311": "RTN TO NAME",
            "4320": "SRV DESCRIPTION",
        },
        "00",
    ),
    _Alike(
        "X..70:pcenc",
        {
            "4302": "SHIP TO ADD1",
            "4304": "SHIP TO SUB",
            "4305": "SHIP TO LOC",
            "4306": "SHIP TO REG",
            "4312": "RTN TO ADD1",
            "4314": "RTN TO SUB",
            "4315": "RTN TO LOC",
            "4316": "RTN TO REG",
        },
        "00",
    ),
    _Alike("X..70:pcenc", {"4303": "SHIP TO ADD2"}, "4302"),
    _Alike("X..70:pcenc", {"4313": "RTN TO ADD2"}, "4312"),
    _Alike("X2:iso3166alpha2", {"4307": "SHIP TO COUNTRY", "4317": "RTN TO COUNTRY"}, "00"),
    _Alike("X..30", {"4308": "SHIP TO PHONE", "4319": "RTN TO PHONE"}, "00"),
    _Alike("N10:latitude N10:longitude", {"4309": "SHIP TO GEO"}, "00"),
    _Alike("X..20", {"4318": "RTN TO POST"}, "00"),
    _Alike("N1:yesno", {"4321": "DANGEROUS GOODS", "4322": "AUTH TO LEAVE", "4323": "SIG REQUIRED"}, "00"),
    _Alike("N6:yymmd0 N4:hhmi", {"4324": "NOT BEF DEL DT", "4325": "NOT AFT DEL DT"}, "00"),
    _Alike("N6:yymmdd", {"4326": "REL DATE"}, "00"),
    _Alike("N6 [X1]:hyphen", {"4330": "MAX TEMP F."}, "00", "4331"),
    _Alike("N6 [X1]:hyphen", {"4331": "MAX TEMP C."}, "00", "4330"),
    _Alike("N6 [X1]:hyphen", {"4332": "MIN TEMP F."}, "00", "4333"),
    _Alike("N6 [X1]:hyphen", {"4333": "MIN TEMP C."}, "00", "4332"),
    _Alike("X..4:packagetype", {"7041": "UFRGT UNIT TYPE"}, "00", link="none"),
)


def _range(written: str) -> list[str]:
    first, _, last = written.partition("-")
    return [str(number).zfill(len(first)) for number in range(int(first), int(last or first) + 1)]


def _matching(pattern: str, known: Iterable[str]) -> frozenset[str]:
    """The identifiers that a pattern such as 31nn stands for."""
    fits = re.compile(pattern.replace("n", "[0-9]")).fullmatch
    return frozenset(ai for ai in known if fits(ai))


def _titles(alike: _Alike) -> Iterator[tuple[str, str]]:
    for written, title in alike.titles.items():
        for index, ai in enumerate(_range(written)):
            yield ai, title.format(index, index + 1)


def _built() -> Iterator[ApplicationIdentifier]:
    known = [ai for alike in _TABLE for ai, _ in _titles(alike)]
    for alike in _TABLE:
        components = tuple(_components(alike.form))
        pattern = _value_pattern(components)
        linters = tuple(
            (group, LINTERS[name])
            for group, component in enumerate(components, start=1)
            for name in component.linters
            if name in LINTERS
        )
        needs = tuple(
            tuple(_matching(one, known) for one in alternative.split("+"))
            for alternative in alike.needs.split(",")
            if alternative
        )
        never = frozenset(ai for one in alike.never.split(",") for ai in _matching(one, known))
        key, _, qualifiers = alike.link.partition(" ")
        alternatives = tuple(tuple(one.split()) for one in qualifiers.split(",")) if key == "key" else None
        for ai, title in _titles(alike):
            yield ApplicationIdentifier(
                ai, title, components, needs, never - {ai}, alternatives, alike.link != "none", pattern, linters
            )


APPLICATION_IDENTIFIERS: Mapping[str, ApplicationIdentifier] = {one.ai: one for one in _built()}
"""All of them."""

AI_LENGTHS: Mapping[str, int] = {ai[:2]: len(ai) for ai in APPLICATION_IDENTIFIERS}
"""First two digits to the number of digits: all that share the first two are of one length."""

PRIMARY_KEYS = frozenset(ai for ai, one in APPLICATION_IDENTIFIERS.items() if one.qualifiers is not None)
"""What a GS1 Digital Link URI may identify."""
