"""Column names that suggest an identifier, and ordinary ones that do not. Common practice, no source."""

from __future__ import annotations

import polars as pl
import pytest

from pipelines.identifiers import IdentifierKind, TableFacts, may_be_shown, telling_columns
from pipelines.identifiers.headers import suggested_kind
from registry import RECORD_TYPES

SUGGESTING = {
    IdentifierKind.NAME: "Name|PatientName|patient_last_name|FIRST NAME|lastName|Surname|Full Name (as in file)|"
    "Vorname|Nachname, Vorname|Patientenname|patientenvorname|Nom|Prénom|Nom usuel|Apellidos|Nombre|Cognome|"
    "Sobrenome|Voornaam|Achternaam|Ad|Soyadı|Adı Soyadı|Imię i nazwisko|ImieNazwisko|Surgeon name|NAME_FIRST|name1|"
    "initials",
    IdentifierKind.BIRTH_DATE: "DOB|D.O.B.|dateofbirth|DateOfBirth|birth_date|Geb.-Datum|GEBDATUM|Geburtsdatum|"
    "Date de naissance|Fecha de nacimiento|Data di nascita|Data de nascimento|Geboortedatum|DOĞUM TARİHİ|"
    "Data urodzenia",
    IdentifierKind.PHONE: "phone|Phone (mobile)|phonenumber|homephone|patientphone|Tel.|Tel. privat|Telefonnr.|Handy|"
    "Téléphone|Teléfono|Cellulare|Telemóvel|Telefoonnummer|Cep Telefonu|Numer telefonu|contact phone",
    IdentifierKind.EMAIL: "E-Mail|eMail|emailAddress|Courriel|Correo electrónico|e-posta|Adres e-mail",
    IdentifierKind.ADDRESS: "Address|PLZ|Postcode|zip|City|Straße|Strasse/Hausnr|Wohnort|Anschrift|Adresse|Code postal|"
    "Dirección|Indirizzo|Endereço|CEP|Woonplaats|Posta kodu|Kod pocztowy|place of birth",
    IdentifierKind.RECORD_NUMBER: "MRN|patient_id|patientid|Patient|PACIENTE|Chart No|Case No|Patientennr|Pat.-Nr.|"
    "Fallnummer|N° de dossier|Historia clínica|Prontuário|Dossiernummer|Hasta No|Protokol No|Nr pacjenta",
    IdentifierKind.INSURANCE: "insurance_no|Insurance|Krankenkasse|Versichertennummer|Mutuelle|Póliza|"
    "Verzekeringsnummer|Sigorta No",
    IdentifierKind.NATIONAL_NUMBER: "Passport No|SSN|NHS Number|Reisepass-Nr.|No. Sécurité sociale|DNI|"
    "Codice Fiscale|CPF|BSN|T.C. Kimlik No|PESEL|driver licence|Steuer-ID",
    IdentifierKind.FILE_NAME: "filename|File name|photo_file|Photo|Foto vorher|Bilddatei|image|Nom du fichier|"
    "nazwa pliku",
    IdentifierKind.NETWORK: "IP|ip_address|clientIP|IPAddress|Adresse IP|device id",
    IdentifierKind.BANK: "IBAN|credit card no|Kontonummer|Carte bancaire",
    IdentifierKind.WEB: "URL|website|username|Social media",
    IdentifierKind.VEHICLE: "licence plate|KFZ-Kennzeichen",
    IdentifierKind.BIOMETRIC: "fingerprint",
    IdentifierKind.FREE_TEXT: "Notes|Remarks|Comment|Bemerkungen|Kommentar|Observaciones|Opmerkingen|Uwagi",
}

ORDINARY = """
name of technique|technique_name|site name|product name|drug name|Technik|Site|Clinic code|Age|patient age|sex|
patient sex|Sexe|Geschlecht|Date of surgery|OP-Datum|Fecha de cirugía|Data zabiegu|ameliyat tarihi|grafts|Grafts total|
Number of grafts|Anzahl Grafts|nb greffons|zone|Zonen|area_label|Area cm2|surgeon_code|surgeon|Operateur|Chirurg|
visit date|Day 7 swelling|Swelling (day 7)|mobile scalp|phone follow-up date|telefonla görüşme|contact mode|
last contact|first surgery|first session date|donor|Don area|naissance des cheveux|línea de nacimiento del pelo|
hair direction|dirección del pelo|notes on technique|photographs taken|photo quality|image quality|macro photograph|
file type|session number|session no|visit no|OP Nr|Sitzungsnummer|numéro de séance|count key|area number|Norwood|
family history|
smoking|Raucher|fumeur|sigara|palacz|diabetes|minoxidil|BMI|blood group|hepatitis B|HIV|city scar?|graft survival %|
hairs per graft|counter|batch no|lot number|complication|Clavien|onset day|treatment|consent|status|satisfaction 0-10|
crusts|shedding|sutures out|scar width mm|holding solution|ATP|anaesthesia|lidocaine ml|punch mm|implanter|team size|
room|duration|start time|technician code|patient satisfaction|notable|adherence|additional|nominal|denominator|telogen|
capillary|strip|stratum|ortho|profile|pathology|pathway|telangiectasia|Gebiet|patency|pattern|notch|observer code|curls|
biceps|microRNA|bicarbonate|citrate|townsend|clinicid|siteid|sessionid|visitid|index|row|number|lfd nr|id|birth control
"""


@pytest.mark.parametrize(("kind", "names"), SUGGESTING.items(), ids=[kind.name for kind in SUGGESTING])
def test_names_that_suggest(kind: IdentifierKind, names: str) -> None:
    assert {name: suggested_kind(name) for name in names.split("|")} == dict.fromkeys(names.split("|"), kind)


def test_ordinary_names_suggest_nothing() -> None:
    names = " ".join(ORDINARY.split()).replace("| ", "|").split("|")
    assert {name: kind for name in names if (kind := suggested_kind(name))} == {}


@pytest.mark.parametrize("record", RECORD_TYPES, ids=lambda record: record.name)
def test_no_name_of_the_definition_suggests_anything(record) -> None:  # type: ignore[no-untyped-def]
    """Neither as it stands, nor as a site would write it, with no regard to the list of known names."""
    for field in record.fields:
        forms = [field.name, field.label, f" {field.name}", field.name.upper(), field.name.replace("_", " ").title()]
        assert [form for form in forms if suggested_kind(form)] == []


def test_a_column_of_yes_and_no_tells_nothing() -> None:
    frame = pl.DataFrame({"Email": ["yes", "no", None], "Phone": ["ja", "nein", "n"], "Mobile": ["yes", "no", "later"]})
    assert telling_columns(frame, TableFacts()) == {2: IdentifierKind.PHONE}


def test_a_patient_column_may_hold_pseudonyms() -> None:
    keys = ["Kd83hfLs02kxPq7Zt1", "m29Xa4vUo8LwQe5Rb6"]
    frame = pl.DataFrame({"Patient": keys, "Patient ID": ["Kd83hfLs02kxPq7Zt1", "4711"], "MRN": [None, None]})
    assert telling_columns(frame.cast(pl.String), TableFacts()) == {
        1: IdentifierKind.RECORD_NUMBER,
        2: IdentifierKind.RECORD_NUMBER,
    }


@pytest.mark.parametrize(
    ("header", "shown"),
    [
        ("patient_last_name", True),
        ("swelling_now", True),
        ("Phone 2", True),
        ("Anna's phone", False),
        ("phone 01712345678", False),
        ("phone 01 71 23 45", False),
        ("10.0.0.12", False),
        ("anna.b@mail.example", False),
        ("Krawinkel", False),
        ("", False),
    ],
)
def test_only_known_words_are_shown(header: str, shown: bool) -> None:
    assert may_be_shown(header) is shown
