"""What a column's header says in several languages.

Words of the trade in English, German, French, Spanish, Italian, Dutch and Polish (common practice,
no source). A header is compared without accents, case and punctuation.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

from healthtrack import units

_WORDS: dict[str, str] = {
    "engine_speed": r"engine (?:speed|rpm)|rpm|motor ?drehzahl|drehzahl|regime|revolucion\w*|"
    r"giri|toerental|obroty|n mot|nmot|n|crankshaft speed",
    "vehicle_speed": r"vehicle speed|road speed|gps speed|speed|geschwindigkeit|"
    r"fahrgeschwindigkeit|vitesse|velocidad|velocita|snelheid|predkosc|vss|v",
    "airflow": r"mass ?air ?flow|air mass ?flow|air flow(?: rate)?|airflow|air mass|maf|"
    r"luftmassen?\w*|debit d ?air|masse d ?air|caudal(?: de)? aire|masa de aire|"
    r"portata (?:d ?)?aria|massa aria|luchtmassa|przeplyw powietrza|air",
    "manifold_pressure": r"manifold (?:absolute )?pressure|intake (?:air )?(?:manifold )?pressure|"
    r"boost pressure|charge pressure|map|boost|ladedruck|saugrohrdruck|ansaugrohrdruck|"
    r"pression (?:d ?admission|collecteur|turbo|de suralimentation)|"
    r"presion (?:de )?(?:admision|colector|turbo)|pressione (?:aspirazione|collettore|turbo)|"
    r"inlaatdruk|laaddruk|cisnienie doladowania",
    "ambient_pressure": r"barometric pressure|baro\w*|ambient (?:air )?pressure|"
    r"atmospheric pressure|luftdruck|umgebungsdruck|atmospharendruck|pression atmospherique|"
    r"presion atmosferica|pressione atmosferica|luchtdruk|cisnienie atmosferyczne",
    "air_box_pressure": r"air ?box(?: pressure)?|air filter pressure|compressor inlet pressure|"
    r"luftfilterdruck|druck nach luftfilter",
    "ambient_temperature": r"ambient (?:air )?temperature|ambient temp|outside (?:air )?temp\w*|"
    r"aussentemperatur|umgebungstemperatur|temperature exterieure|temperatura (?:exterior|"
    r"ambiente|esterna)|buitentemperatuur|temperatura zewnetrzna|ambient",
    "intake_temperature": r"intake (?:air )?temp\w*|inlet (?:air )?temp\w*|iat|"
    r"ansaug ?lufttemperatur|ansaugtemperatur|temperature (?:d ?)?(?:air )?(?:d ?)?admission|"
    r"temperatura (?:de |del )?(?:aire )?(?:de )?admision|temperatura (?:aria )?aspirazione|"
    r"inlaatluchttemperatuur|temperatura powietrza|intake",
    "charge_temperature": r"charge (?:air )?temp\w*|(?:inter|charge ?)cooler (?:outlet )?temp\w*|"
    r"manifold (?:air )?temp\w*|ladeluft ?temperatur|temperature (?:d ?)?air de suralimentation|"
    r"charge",
    "coolant_temperature": r"(?:engine )?coolant(?: temp\w*)?|water temp\w*|ect|kuhlmittel\w*|"
    r"kuehlmittel\w*|kuhlwasser\w*|temperature (?:du )?liquide(?: de refroidissement)?|"
    r"temperatura (?:del )?refrigerante|temperatura (?:del )?liquido|koelvloeistof\w*|"
    r"temperatura plynu",
    "pedal": r"(?:accelerator )?pedal(?: position)?(?: d)?|fahrpedal|pedalweg|pedalwert|"
    r"accelerateur|acelerador|acceleratore|gaspedaal|pedal gazu",
    "throttle": r"(?:absolute )?throttle(?: position)?|drosselklappe|papillon|mariposa|farfalla|"
    r"gasklep|przepustnica",
    "load": r"(?:calculated )?(?:engine )?load(?: value)?|motorlast|last|"
    r"charge (?:moteur|calculee)|carga(?: motor)?|carico(?: motore)?|belasting|obciazenie",
    "torque": r"(?:engine )?torque|drehmoment|couple|par motor|coppia|koppel|moment",
    "fuel_per_stroke": r"(?:fuel )?injection quantity|injected quantity|fuel quantity|"
    r"fuel per stroke|einspritzmenge|quantite injectee|cantidad inyectada|quantita iniettata",
    "fuel_flow": r"fuel (?:flow|rate|mass flow)|engine fuel rate|kraftstoffmassenstrom|"
    r"debit carburant",
    "recirculation": r"egr(?: valve)?(?: position)?|exhaust gas recirculation|agr(?: ventil)?|"
    r"recirculation",
    "boost_duty": r"wastegate(?: duty)?|boost (?:actuator|duty|control)|vane position|vgt|vnt|"
    r"ladedrucksteller|ladedruckregelung|tastverhaltnis",
    "altitude": r"altitude|elevation|hohe|hoehe|altitud|altitudine|hoogte",
    "odometer": r"odometer|mileage|total distance|kilometerstand|km stand|odo|kilometrage|"
    r"kilometraje|chilometraggio|kilometerteller|przebieg",
}

SET_POINT = re.compile(
    r"\b(?:desired|target|set ?point|commanded|specified|requested|soll\w*|consigne|objetivo|"
    r"richiest[oa]|gewenst|zadan[ey])\b"
)
"""Words that mark a wish of the control unit, not a measurement."""

TIME = re.compile(
    r"(?:date|datum|fecha|data)?(?: ?(?:and|und)? ?)(?:time|zeit|uhrzeit|heure|temps|hora|tiempo|"
    r"ora|tempo|tijd|czas|timestamp|zeitstempel|clock|t|t s|elapsed|sekunden|seconds)?(?: utc)?"
)
"""A header that may hold a time or a date."""

_PATTERNS = {channel: re.compile(words) for channel, words in _WORDS.items()}


@lru_cache(maxsize=4096)
def folded(header: str) -> str:
    """Return a header without accents, case and punctuation."""
    text = units.repair(header).casefold().replace("ß", "ss").replace("ł", "l")
    text = unicodedata.normalize("NFKD", text)
    text = "".join(letter for letter in text if not unicodedata.combining(letter))
    return re.sub(r"[^a-z0-9]+", " ", text).strip()


def meanings(header: str) -> dict[str, float]:
    """Return what a header may mean: channels with the share of the header that says so.

    >>> max(meanings("Intake Manifold Absolute Pressure"), key=meanings(
    ...     "Intake Manifold Absolute Pressure").get)
    'manifold_pressure'
    """
    text = folded(header)
    if not text:
        return {}
    found: dict[str, float] = {}
    for channel, pattern in _PATTERNS.items():
        spans = [
            match.group(0)
            for match in re.finditer(rf"\b(?:{pattern.pattern})\b", text)
            if match.group(0)
        ]
        longest = max(map(len, spans), default=0)
        if longest >= 2 or text in spans:
            found[channel] = longest / len(text)
    return found


def is_set_point(header: str) -> bool:
    """Say whether a header names a wish and not a measurement."""
    return SET_POINT.search(folded(header)) is not None


def may_be_time(header: str) -> bool:
    """Say whether a header may hold a time or a date."""
    text = folded(header)
    return bool(text) and TIME.fullmatch(text) is not None
