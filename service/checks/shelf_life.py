"""How long soft goods may lie before they are fitted, by polymer: two rules that disagree, so the one used is named.

ISO 2230:2002: group A 5 years, B 7, C 10; after inspection 2, 3 and 5 more.
SAE ARP5316: NBR, HNBR, CR 15 years; AU, EU 5; FKM, EPDM, VMQ, FFKM unlimited.
Groups and lives are from memory and secondary sources; confirm against the documents.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

from service.checks.finding import FROM_MEMORY

SOURCE = f"ISO 2230:2002 and SAE ARP5316 ({FROM_MEMORY})"

_GROUPS = {
    "A": ("AU", "BR", "EU", "IR", "NR", "SBR"),
    "B": ("CO", "CR", "ECO", "HNBR", "IIR", "NBR", "XNBR"),
    "C": ("CSM", "EPDM", "EPM", "FFKM", "FKM", "FVMQ", "PVMQ", "VMQ"),
}
_GROUP_OF = {polymer: group for group, polymers in _GROUPS.items() for polymer in polymers}
_ISO_YEARS = {"A": (5, 2), "B": (7, 3), "C": (10, 5)}
_ARP_YEARS = {
    **dict.fromkeys(("NBR", "HNBR", "CR"), 15),
    **dict.fromkeys(("AU", "EU"), 5),
    **dict.fromkeys(("FKM", "EPDM", "VMQ", "FFKM"), None),
}
_OTHER_NAMES = {
    "NITRILE": "NBR", "FPM": "FKM", "FLUOROCARBON": "FKM", "SILICONE": "VMQ", "CHLOROPRENE": "CR", "BUTYL": "IIR",
    "PERFLUOROELASTOMER": "FFKM", "POLYURETHANE": "AU", "FLUOROSILICONE": "FVMQ",
}  # fmt: skip
_ISO_2230 = re.compile(r"ISO\s*2230(?::\s*(\d{4}))?")
_ARP5316 = re.compile(r"(?:SAE\s*)?(?:AS-?)?ARP[\s-]*5316\s*([A-Z]?)")


class Life(NamedTuple):
    """Years from the end of the cure quarter (None: unlimited), the rule in words, more years after inspection."""

    years: int | None
    rule: str
    extension: int = 0


@lru_cache(1024)
def polymer_code(written: str) -> str:
    """``FKM 75 Shore`` and ``fluorocarbon`` are FKM; what we do not know comes back as its first word."""
    match = re.search(r"[A-Z]+", written.upper())
    word = match[0] if match else ""
    return _OTHER_NAMES.get(word, word)


@lru_cache(1024)
def life_of(polymer: str, rule: str) -> Life | str:
    """How long a polymer may lie by the rule that the procedure names; else why nobody can tell."""
    code, named = polymer_code(polymer), rule.strip().upper()
    if match := _ISO_2230.fullmatch(named):
        if match[1] not in {None, "2002"}:
            return f"the lives of {rule} are not known here, those of ISO 2230:2002 are"
        if code not in _GROUP_OF:
            return f"ISO 2230:2002 has no group for {polymer} as far as is known here"
        years, extension = _ISO_YEARS[_GROUP_OF[code]]
        edition = "" if match[1] else " (edition not named)"
        return Life(years, f"ISO 2230:2002{edition}, group {_GROUP_OF[code]} ({code})", extension)
    if match := _ARP5316.fullmatch(named):
        if code not in _ARP_YEARS:
            return f"SAE ARP5316 has no life for {polymer} as far as is known here"
        edition = f"revision {match[1]}" if match[1] else "revision not named"
        return Life(_ARP_YEARS[code], f"SAE ARP5316 ({edition}), {code}")
    return f"the rule {rule} is not known here"
