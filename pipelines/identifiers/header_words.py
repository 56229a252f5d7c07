"""Words of column names that suggest an identifier, in nine languages and without accents.

`ANYWHERE` phrases give a column away wherever they stand in its name; a word that ends in `*` stands for all that
begin so. `ALONE` words do so only where nothing but companions stands beside them: `name` and `patient name`, not
`name of technique`. Common practice, no source.
"""

from __future__ import annotations

from .kinds import IdentifierKind as Kind

ANYWHERE: dict[Kind, str] = {
    Kind.EMAIL: """
        email*, e mail*, mail address, mailadresse, courriel, correo electronico, posta elettronica,
        eposta, e posta, adres e mail
    """,
    Kind.WEB: """
        url, urls, website, web site, webseite, homepage, site web, sitio web, sito web, username, user name,
        benutzername, social media, profile link, login
    """,
    Kind.NETWORK: """
        ip address*, ipaddress, ip adresse*, adresse ip, direccion ip, indirizzo ip, endereco ip, ip adres*, adres ip,
        client ip, remote ip, mac address, imei, device id, device serial*
    """,
    Kind.BANK: """
        iban, credit card*, creditcard*, card number, card no, bank account*, account number, account no, kontonummer,
        kontonr, bankverbindung, kreditkarte*, carte bancaire, carte de credit, tarjeta de credito, numero de tarjeta,
        cuenta bancaria, conto corrente, carta di credito, conta bancaria, cartao de credito, rekeningnummer, hesap no,
        kredi karti, numer konta, nr konta, karta kredytowa
    """,
    Kind.NATIONAL_NUMBER: """
        passport*, passeport*, pasaporte*, passaporto*, reisepass*, paspoort*, pasaport*, paszport*,
        social security, ssn, national insurance, nino, nhs number, nhs no, nhs nr, national id*, national number,
        identity number, identity card, id card, tax id, tax number, driver licence, driver license, drivers licence,
        drivers license, driving licence, driving license, licence number, license number, certificate number,
        steuer id*, steuernummer, steueridentifikationsnummer, personalausweis*, ausweisnummer, ausweisnr,
        sozialversicherungsnummer, sozialversicherung*, rentenversicherungsnummer, fuhrerschein*, fuehrerschein*,
        numero de securite sociale, securite sociale, carte d identite, numero fiscal, permis de conduire,
        documento de identidad, numero de identidad, cedula, dni, tarjeta sanitaria, seguridad social,
        codice fiscale, codicefiscale, carta d identita, tessera sanitaria,
        cpf, cartao de cidadao, bilhete de identidade, numero de utente, cartao sus,
        bsn, burgerservicenummer, sofinummer, rijbewijs*, identiteitskaart*,
        tckn, tc kimlik*, kimlik no, kimlik numarasi, ehliyet*, pesel, dowod osobisty, numer dowodu, nr dowodu,
        prawo jazdy, personnummer, fodselsnummer, aadhaar, aadhar
    """,
    Kind.INSURANCE: """
        insurance number, insurance no, insurance id, insurance policy, policy number, policy no, member id,
        versichertennummer, versichertennr, versicherten nr, versicherungsnummer, versicherungsnr, kvnr,
        krankenkasse*, krankenversicherung*, krankenversicherungsnummer, mutuelle, numero d assure,
        numero de poliza, poliza, aseguradora, polizza, seguradora, apolice, carteirinha, plano de saude,
        verzekeringsnummer, verzekerdenummer, polisnummer, zorgverzekeraar, sigorta no, sigorta numarasi, sgk no,
        numer polisy, nr polisy, ubezpieczeni*, ubezpieczyciel*
    """,
    Kind.FILE_NAME: """
        file name, filename*, file path, filepath, photo file, photo name, photo path, photo id, photo link, image file,
        image name, image path, image id, picture file, picture name, attachment*, dateiname*, dateipfad, bilddatei*,
        fotodatei*, nom de fichier, nom du fichier, nom fichier, nombre de archivo, nombre archivo, nombre del archivo,
        nome file, nome del file, nome do arquivo, nome do ficheiro, nome arquivo, bestandsnaam, fotobestand,
        dosya adi, nazwa pliku
    """,
    Kind.BIRTH_DATE: """
        birth date, date of birth, birthdate, birthday, dob, d o b, born on, bday,
        geburtsdatum, geburtstag, geboren am, gebdatum, geb datum, geb dat, geb am, gebtag,
        date de naissance, date naissance, ddn, ne le, nee le,
        fecha de nacimiento, fecha nacimiento, fecha nac, fecha de nac, f nacimiento, fnac, f nac,
        data di nascita, data nascita, nato il, nata il, data de nascimento, data nascimento, data nasc, dt nascimento,
        dt nasc, geboortedatum, geboren op, geboortedag, dogum tarihi, dogum gunu, data urodzenia, data ur
    """,
    Kind.ADDRESS: """
        street address, home address, mailing address, postal address, street name, house number, postcode, post code,
        postal code, zip code, zipcode, place of birth, birthplace, birth place,
        anschrift*, wohnadresse, wohnort*, hausnummer, hausnr, postleitzahl*, plz, geburtsort,
        code postal, lieu de naissance, domicile, codigo postal, domicilio, lugar de nacimiento,
        indirizzo, codice postale, luogo di nascita, residenza, endereco, naturalidade, freguesia, concelho, bairro,
        woonplaats, woonadres, huisnummer, geboorteplaats, posta kodu, dogum yeri, mahalle, ilce,
        kod pocztowy, miejscowosc, gmina, powiat, miejsce urodzenia, miejsce zamieszkania
    """,
    Kind.NAME: """
        first name, last name, full name, middle name, maiden name, given name, family name, surname, forename,
        nickname, patient name, initials, next of kin, emergency contact, contact person, employer,
        vorname*, nachname*, familienname*, geburtsname, patientenname, rufname, zuname, arztname, hausarzt,
        ansprechpartner, angehorige*, arbeitgeber, initialen,
        prenom*, nom de famille, nom de naissance, nom de jeune fille, nom usuel, medecin traitant, employeur,
        initiales, apellido*, nombre completo, nombre del paciente, iniciales, cognome, nominativo, nome completo,
        nome del paziente, sobrenome, apelido, nome do paciente, nome da mae, nome social,
        voornaam, voornamen, achternaam, familienaam, roepnaam, meisjesnaam, tussenvoegsel, voorletters, huisarts,
        werkgever, soyad*, soyisim, hasta adi, hastanin adi, anne adi, baba adi, imie, imiona, nazwisko*
    """,
    Kind.PHONE: """
        phone number, phone no, phonenumber, telephone number, mobile number, mobile no, mobile phone, cell phone,
        cellphone, cell number, contact number, fax number, telefonnummer*, telefonnr, telnr, handynummer*, handynr,
        mobilnummer, mobiltelefon*, rufnummer, numero de telephone, no de telephone, numero de telefono,
        numero di telefono, numero de telefone, telemovel, telefono movil, telefoonnummer*, mobielnummer,
        telefon no, telefon numarasi, cep telefonu, cep no, numer telefonu, nr telefonu, telefon komorkowy
    """,
    Kind.RECORD_NUMBER: """
        medical record*, record number, record no, record id, mrn, chart number, chart no, chart id, file number,
        file no, hospital number, hospital no, hospital id, case number, case no, case id, admission number,
        admission no, encounter id, patient id, patient identifier, patient no, patient nr, patient number,
        patient num, patient code, patientid, patientno, patid, pat id, pat nr, pat no, client id, client no,
        client number, customer id, customer no, customer number, subject id,
        patientennummer*, patientennr, patienten nr, patienten id, patientenid, patnr, fallnummer, fallnr, fall nr,
        aktennummer, aktennr, aktenzeichen, krankenakte, karteinummer, krankenblattnummer, kundennummer, kundennr,
        aufnahmenummer, numero de dossier, no dossier, num dossier, n dossier, numero patient, id patient, ipp, iep,
        historia clinica, numero de historia, n historia, num historia, nhc, expediente, id paciente,
        cartella clinica, numero cartella, n cartella, codice paziente, id paziente, nosologico,
        prontuario, numero de processo, n processo, processo clinico, patientnummer, patientnr, dossiernummer,
        dossiernr, klantnummer, hasta no, hasta numarasi, hasta id, hasta kodu, protokol no, dosya no,
        dosya numarasi, basvuru no, numer pacjenta, nr pacjenta, id pacjenta, numer karty, nr karty, nr kartoteki,
        nr historii choroby, numer historii choroby
    """,
    Kind.VEHICLE: """
        licence plate, license plate, number plate, vehicle*, kfz kennzeichen, autokennzeichen, nummernschild,
        plaque d immatriculation, targa, kenteken, placa do veiculo
    """,
    Kind.BIOMETRIC: "fingerprint*, voiceprint*, voice print, face print, biometric*, fingerabdruck*, huella dactilar",
    Kind.FREE_TEXT: """
        free text, freetext, freitext*, bemerkung*, kommentar*, anmerkung*, commentaire*, comentario*, osservazioni,
        annotazioni, observacoes, anotacoes, opmerking*, toelichting, aciklama*, uwagi, komentarz*
    """,
}

ALONE: dict[Kind, str] = {
    Kind.EMAIL: "mail, mails, correo",
    Kind.WEB: "web, link, links, account, handle",
    Kind.NETWORK: "ip, ipv",
    Kind.BANK: "bank, bic, swift, konto, conta, cuenta",
    Kind.NATIONAL_NUMBER: """
        nir, nie, nif, cni, cip, cf, rg, rut, tc, tin, sin, ssn, sns, utente, patente, ausweis, kimlik
    """,
    Kind.INSURANCE: """
        insurance, insurer, versicherung, assurance, seguro, assicurazione, convenio, verzekering, verzekeraar,
        sigorta, mutua
    """,
    Kind.FILE_NAME: """
        file, files, photo, photos, image, images, picture, pictures, path, foto, fotos, bild, bilder, datei, fichier,
        archivo, imagen, immagine, immagini, arquivo, ficheiro, imagem, bestand, afbeelding, dosya, resim, fotograf,
        plik, zdjecie, zdjecia
    """,
    Kind.BIRTH_DATE: """
        birth, born, geb, geboren, naissance, nacimiento, nacido, nascita, nascimento, geboorte, dogum, urodzony,
        urodzona, urodzenie
    """,
    Kind.ADDRESS: """
        address, addresses, street, city, town, village, county, district, suburb, residence, zip, adresse, strasse,
        str, stadt, ort, landkreis, gemeinde, rue, ville, commune, cp, direccion, calle, ciudad, municipio, localidad,
        provincia, cap, citta, comune, morada, rua, cep, cidade, localidade, adres, adresi, straat, stad, plaats,
        gemeente, sokak, cadde, sehir, semt, ulica, miasto
    """,
    Kind.NAME: "name, names, nom, noms, nombre, nombres, nome, nomi, nomes, naam, namen, ad, adi, isim, nazwa",
    Kind.PHONE: """
        phone, phones, telephone, mobile, tel, fax, handy, telefon, festnetz, natel, portable, telefono, movil,
        celular, cellulare, telefone, telefoon, mobiel, gsm, mobil, komorka
    """,
    Kind.RECORD_NUMBER: """
        patient, patients, pat, patienten, paciente, pacientes, paziente, pazienti, patientin, hasta, hastalar,
        pacjent, pacjenci, client, customer, klient, kunde, cliente, klant, chart, pid, dossier, akte, cartella
    """,
    Kind.FREE_TEXT: """
        note, notes, comment, comments, remark, remarks, memo, narrative, description, notiz, notizen, beschreibung,
        remarque, remarques, observation, observations, observacion, observaciones, nota, notas, osservazione,
        commento, commenti, obs, notitie, notities, commentaar, not, notlar, yorum, opis, notatki
    """,
}

COMPANIONS = """
    patient, patients, patienten, patientin, paciente, pacientes, paziente, hasta, hastanin, pacjent, pacjenta, client,
    customer, person, personal, member, surgeon, doctor, physician, dr, nurse, operator, staff, technician, operateur,
    chirurg, chirurgien, arzt, medecin, cirujano, medico, chirurgo, cirurgiao, arts, doktor, hekim, lekarz, relative,
    parent, mother, father, contact, emergency, referring,
    number, numbers, no, nr, num, nummer, numero, numara, numarasi, numer, n, id, code,
    home, work, private, privat, main, primary, secondary, other, alternative, full, first, last, middle, second,
    line, before, after, pre, post, day, month,
    vorher, nachher, avant, apres, antes, despues, depois, prima, dopo, voor,
    na, once, sonra, przed, po,
    of, the, s, for, a, and, or, de, del, des, du, d, la, le, les, l, el, los, der, die, das, und, oder, di, della, e,
    da, do, dos, van, het, een, en, i, ve, y, et, am, on
"""

CLINICAL = """
    day, days, week, weeks, month, months, year, years, date, time, visit, visits, session, sessions, surgery, site,
    technique, age, sex, gender, donor, recipient, area, zone, zones, graft, grafts, hair, hairs, total, count, method,
    swelling, infection, folliculitis, numbness, scar, width, density, treatment, complication, severity, status,
    follow, up, last, next, contact, reason, consent, smoking, diabetes, pattern, stage, scale, duration, hours, minutes
"""
"""Ordinary words of column names: a name made of these and the words above may be repeated in a message."""


def phrases(text: str) -> list[tuple[str, ...]]:
    """The phrases of a list written with commas, each as its words."""
    return [tuple(phrase.split()) for phrase in text.split(",") if phrase.strip()]
