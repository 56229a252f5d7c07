"""Words that are answers, not names: those of the definition and the common ones of clinics, without accents."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from functools import cache

from registry import RECORD_TYPES
from registry.definition import Field

from .dates import MONTH_NAMES
from .words import folded, words_of

_EVERYDAY = """
    missing empty blank null void none unknown asked pending tested available applicable recorded answer other
    unbekannt keine kein nicht fehlt andere inconnu aucun aucune autre non oui desconocido ninguno ninguna otro otra
    sconosciuto nessuno altro desconhecido nenhum nenhuma outro onbekend geen ander anders bilinmiyor yok var diger
    nieznane nieznany brak inne inny true false wahr falsch vrai faux verdadero falso vero tak nie evet hayir
    positive negative positiv negativ positif negatif positivo negativo

    about approx approximately circa around more than less least most over under between from until several
    grafts graft follicular units unit hairs hair lesions hours hour minutes minute mins days day weeks week months
    month years year stunden stunde minuten tage wochen monate jahre heures jours semaines mois annees horas dias
    semanas meses anos ore giorni settimane mesi anni uren dagen weken maanden jaren saat dakika gun hafta yil godzin
    dni tygodni miesiecy lat micrometres micrometers microns millimetres millimeters centimetres centimeters square
    percent prozent quarter monday tuesday wednesday thursday friday saturday sunday

    male female masculine feminine mannlich weiblich divers homme femme masculin feminin hombre mujer varon maschio
    femmina masculino feminino man vrouw mannelijk vrouwelijk erkek kadin mezczyzna kobieta

    crown front frontal temporal temple temples hairline vertex occipital parietal nape beard moustache eyebrow scalp
    body chest scar tonsure tonsur geheimratsecken haaransatz haarlinie oberkopf hinterkopf bart narbe augenbraue
    sourcil barbe cicatrice golfes couronne tempe coronilla entradas ceja barba cicatriz linea frontale corona tempie
    sopracciglio cicatrice coroa sobrancelha kruin haarlijn slapen wenkbrauw baard litteken tepe sakal sakak kas
    skron korona brwi broda blizna

    strip excision extraction harvest manual motorised motorized robotic implanter forceps punch sharp blunt hybrid
    trichophytic dermoscope dermoscopy dermatoscope dermatoscopy trichoscope microscope photograph photography
    saline ringer solution tissue plasma chilled cooled room temperature
    smoker smokes smoking former never current raucher nichtraucher fumeur fumador fumatore roker
    mild moderate severe slight strong leicht mittel schwer leger modere severe leve moderado grave lieve
    forehead eyelid eyelids swelling swollen oedema edema bruise bruised bruising haematoma hematoma redness itching
    infection infected superficial deep pustule pustules folliculitis crust crusts shedding necrosis numb numbness
    normal reduced absent schwellung keine taub taubheit gonflement engourdissement hinchazon entumecimiento gonfiore
    black brown blond blonde dark light grey gray white schwarz braun rot grau noir brun roux gris negro castano rubio
    straight wavy curly coiled frizzy glatt wellig lockig lisse ondule boucle
    minoxidil finasteride dutasteride spironolactone biotin aspirin ibuprofen paracetamol amoxicillin cephalexin
    clopidogrel warfarin prednisolone lidocaine antibiotic steroid topical oral
    phone video person telephone photo photos online visit telefon telefono
    norwood hamilton ludwig androgenetic alopecia areata pattern diffuse
    first second third left right upper lower both side sides once twice daily weekly
"""
_CLOSE, _NEAR_OWN = 0.8, 0.6
_SHORTEST_WORD, _SHORTEST_STEM, _LONGEST_ENDING = 4, 5, 3


@cache
def known_words() -> frozenset[str]:
    """Single words of codes, of what they mean, of labels, and of everyday answers."""
    declared = [field for record in RECORD_TYPES for field in record.fields]
    texts = [field.label for field in declared]
    texts += [
        text for field in declared if field.codes for code in field.codes.codes for text in (code.name, code.meaning)
    ]
    words = {word for text in texts for word in words_of(text)}
    return frozenset(words | set(_EVERYDAY.split()) | MONTH_NAMES)


@cache
def is_answer_word(word: str) -> bool:
    """Whether a folded word is a known one, its beginning, an inflection of it, or a slip of the pen from it.

    >>> is_answer_word("foliculitis"), is_answer_word("numb"), is_answer_word("hairlines"), is_answer_word("krawczyk")
    (True, True, True, False)
    """
    known = known_words()
    if word in known:
        return True
    if len(word) < _SHORTEST_WORD:
        return False
    stems = (word[:-cut] for cut in range(1, _LONGEST_ENDING + 1) if len(word) - cut >= _SHORTEST_STEM)
    if any(stem in known for stem in stems) or any(other.startswith(word) for other in known):
        return True
    return bool(get_close_matches(word, _long_words(), n=1, cutoff=_CLOSE))


@cache
def _long_words() -> list[str]:
    return sorted(word for word in known_words() if len(word) >= _SHORTEST_STEM)


def is_near_a_code(text: str, field: Field, settings_codes: Iterable[str]) -> bool:
    """Whether a text is a code of the field, or close to one, whatever its case and gaps."""
    own = (*(field.codes.names if field.codes else ()), *field.also_allowed, *settings_codes)
    names = ["_".join(words_of(name)) for name in own]
    return bool(get_close_matches("_".join(words_of(folded(text))), names, n=1, cutoff=_NEAR_OWN))
