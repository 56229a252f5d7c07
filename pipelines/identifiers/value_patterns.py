"""Values that look like an identifier by their form alone.

A pattern is met anywhere in a value, but not inside a longer word or number. Dates have been taken out of the text
before numbers are looked for, and whole decimal numbers are not looked at. Forms are common practice, no source.
"""

from __future__ import annotations

from .kinds import IdentifierKind

_FROM, _TO = r"(?:^|[^0-9A-Za-z])", r"(?:$|[^0-9A-Za-z])"
_FROM_NUMBER, _TO_NUMBER = r"(?:^|[^0-9A-Za-z.,])", r"(?:$|[^0-9A-Za-z.,]|[.,](?:$|[^0-9]))"
_FROM_PHONE = r"(?:^|[^0-9A-Za-z.,])"
_CAPITALISED = r"\p{Lu}[\p{L}'’.-]+"

_TITLES = (
    r"(?:(?i:mrs?|dr|prof|herrn?|frau|mme|mlle|monsieur|madame|srta|dott|dhr|mevr|meneer|mevrouw|bayan|pani)"
    r"|Ms|Miss|Sra?|Sig|Sig\.ra|Sig\.na|Dott\.ssa)"
)
_RECORD = (
    "mrn|nhc|ipp|chart|patient(?:en)?|pat|case|file|fall|akte|dossier|expediente|prontuário|protokol|hasta|dosya|"
    "historia"
)
_STREETS = (
    rf"[0-9]{{1,5}}[A-Za-z]?,? (?:{_CAPITALISED} ){{1,3}}"
    r"(?:Street|St|Road|Rd|Avenue|Ave|Lane|Drive|Boulevard|Blvd|Close|Terrace|Court)\b",
    r"(?:^|[^\p{L}0-9])\p{Lu}\p{L}+-?(?i:strasse|straße|str\.|weg|platz|allee|gasse|straat|laan|plein|gracht) "
    r"?[0-9]{1,4} ?[a-z]?\b",
    r"(?:^|[ ,])(?i:[0-9]{1,4}(?: bis| ter)?,? )?(?i:rue|boulevard|chemin|impasse|quai) "
    r"(?:de |du |des |la |le |l['’])*\p{L}{3,}",
    r"(?:^|[ ,])(?i:calle|avenida|avda\.?|paseo|travessa|rua|praça|piazza|viale|corso|via) (?:de |del |da |do |la )*"
    r"\p{Lu}\p{L}+[ ,]+(?:n[.º°]? ?)?[0-9]{1,5}\b",
    r"\b(?i:mahallesi|mah\.|sokağı|sokak|sok\.|caddesi|cad\.)(?: |$|,)",
    r"(?:^|[ ,])(?i:ul\.|ulica|aleja|os\.) ?\p{Lu}\p{L}+[ ,]+[0-9]{1,4}",
)
_POSTCODES = (
    r"^[A-Z]{1,2}[0-9][A-Z0-9]? ?[0-9][A-Z]{2}$",
    r"^[A-CEGHJ-NPR-TVXY][0-9][A-Z] ?[0-9][A-Z][0-9]$",
    r"^[0-9]{5}-[0-9]{4}$",
    rf"^(?:[A-Z]{{1,2}}-)?[0-9]{{5}},? {_CAPITALISED}(?: {_CAPITALISED})?$",
)

PATTERNS: dict[IdentifierKind, tuple[str, ...]] = {
    IdentifierKind.EMAIL: (r"[^\s@]+@[^\s@.]+\.[^\s@]+", r"(?i)[a-z0-9._-]+ ?[(\[] ?at ?[)\]] ?[a-z0-9-]+"),
    IdentifierKind.WEB: (
        r"(?i)\b(?:https?|ftps?|sftp|file)://",
        r"(?i)\bwww\.[a-z0-9-]+",
        r"(?i)^[a-z0-9-]+(?:\.[a-z0-9-]+)*\.(?:com|net|org|info|eu|de|at|ch|fr|es|it|pt|br|nl|be|tr|pl|uk|us|example)(?:/|$)",
        r"^@[A-Za-z0-9_.]{3,30}$",
    ),
    IdentifierKind.NETWORK: (
        rf"{_FROM}(?:[0-9A-Fa-f]{{2}}[:-]){{5}}[0-9A-Fa-f]{{2}}{_TO}",
        rf"{_FROM_NUMBER}(?:(?:25[0-5]|2[0-4][0-9]|1[0-9]{{2}}|[1-9]?[0-9])\.){{3}}(?:25[0-5]|2[0-4][0-9]|1[0-9]{{2}}|[1-9]?[0-9])"
        rf"{_TO_NUMBER}",
    ),
    IdentifierKind.NATIONAL_NUMBER: (
        rf"{_FROM}[0-9]{{3}}[- ][0-9]{{2}}[- ][0-9]{{4}}{_TO}",
        rf"{_FROM}[A-CEGHJ-PR-TW-Z][A-CEGHJ-NPR-TW-Z] ?[0-9]{{2}} ?[0-9]{{2}} ?[0-9]{{2}} ?[A-D]{_TO}",
        r"[A-Z0-9]<{2,}[A-Z0-9<]",  # the machine-readable lines of a passport
    ),
    IdentifierKind.FILE_NAME: (
        r"(?i)[^\s]\.(?:jpe?g|png|heic|heif|tiff?|bmp|gif|webp|raw|cr2|cr3|nef|arw|dng|dcm|mp4|mov|avi|pdf|docx?|rtf)$",
        r"(?i)(?:^|[^a-z0-9])(?:img|dsc|dscn|dscf|pxl|dcim|scan|photo|foto|bild|image)[-_ ]?[0-9]{3,}",
        r"^(?:[A-Za-z]:)?[\\/](?:[^\\/]+[\\/])+",
    ),
    IdentifierKind.BIRTH_DATE: (
        r"(?i)(?:^|[^\p{L}0-9])(?:d\.?o\.?b\.?|born|geb\.?|geboren|née?|naissance|nacid[oa]|nat[oa]|nascid[oa]|doğum|ur\.)"
        r"(?: ?(?:am|on|le|el|il|em|op|tarihi))?[ :.]+[0-9]",
    ),
    IdentifierKind.ADDRESS: (*_STREETS, *_POSTCODES),
    IdentifierKind.NAME: (
        rf"(?:^|[^\p{{L}}]){_TITLES}\.? +(?:(?i:med|rer|dr|prof)\.? +)*{_CAPITALISED}",
        rf"(?:^|[^\p{{L}}])M\. {_CAPITALISED}",
        rf"{_CAPITALISED} (?:Bey|Hanım|Hanim)\b",
    ),
    IdentifierKind.PHONE: tuple(
        rf"{_FROM_PHONE}(?:{form}){_TO}"
        for form in (
            r"(?:\+|00)[1-9](?:[ ./()-]{0,3}[0-9]){6,13}",
            r"0[0-9]{2,5}[ ./-]{1,3}[0-9]{5,8}",
            r"0[1-9](?:[ .-][0-9]{2}){4}",
            r"0[0-9]{2,4}[ ./-][0-9]{3,4}[ ./-][0-9]{2,4}(?:[ ./-][0-9]{2,4})?",
            r"\(0[0-9]{1,5}\)[ /-]?[0-9][0-9 -]{4,10}",
            r"\([1-9][0-9]{1,3}\) ?[0-9]{3,5}[ -]?[0-9]{4}",
            r"[2-9][0-9]{2}([ .-])[0-9]{3}[ .-][0-9]{2} ?[0-9]{2}",
            r"[4-9][0-9]{2} [0-9]{3} [0-9]{3}|[4-9][0-9]{2}-[0-9]{3}-[0-9]{3}|[89][0-9] [0-9]{3} [0-9]{2} [0-9]{2}",
        )
    ),
    IdentifierKind.RECORD_NUMBER: (
        rf"(?i)(?:^|[^\p{{L}}0-9])(?:{_RECORD})[.: -]{{0,2}}(?:no|nr|id|number|nummer|num|n°|nº|#)[.:# -]*[0-9]{{3,}}",
        rf"(?i)(?:^|[^\p{{L}}0-9])(?:{_RECORD})[.:# -]{{0,2}}[0-9]{{5,}}",
        rf"{_FROM}[A-Za-z]{{1,4}}[-_ ]?[0-9]{{7,11}}{_TO}",
    ),
    IdentifierKind.LONG_NUMBER: (rf"{_FROM_NUMBER}[0-9]{{9,}}{_TO_NUMBER}",),
}
"""Patterns by kind, for the regular expressions of polars (no look-around)."""

UUID = r"^[0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}$"
"""A random identifier that stands for nobody."""
LAST_FIRST_NAME = rf"^{_CAPITALISED}(?:[ -]{_CAPITALISED})?, ?{_CAPITALISED}(?: {_CAPITALISED})*\.?$"
"""`Lastname, Firstname` and nothing else."""
FEW_WORDS = r"^[\p{L}'’.-]+(?: [\p{L}'’.-]+){1,3}$"
"""Two to four words and nothing else."""
