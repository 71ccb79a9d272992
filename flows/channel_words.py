"""Words by which the trade names its channels, in several languages.

Each entry is a regular expression on a header cell in small letters without accents, blanks for
all marks between words. The first list names the channel surely, the second only hints at it.
"""

from __future__ import annotations

import re
import unicodedata

SURE: dict[str, tuple[str, ...]] = {
    "time": (
        r"(time|zeit|temps|tempo|tiempo|tijd|czas|cas|tid)( s| ms| sec)?",
        r"(elapsed|log|run|lap)? ?(time|seconds|secs|sekunden|secondes|segundos|secondi|seconden)",
        r"(device|gps|log|utc|local|sample|run) ?time( s| ms)?",
        r"(clock|timestamp|t|time stamp|elapsed|zeitstempel|horodatage|milliseconds|ms)( s| ms)?",
    ),
    "engine_speed": (
        r"(engine|motor|crank|crankshaft|eng) ?(speed|rpm|revs)?( rpm)?",
        r"(rpm|revs|n ?mot|drehzahl|motordrehzahl|u min|upm|umdrehungen)( rpm)?",
        r"n (mot|motor|engine)",
        r"(regime|regime moteur|vitesse moteur|tours|tr min|giri|giri motore|regime motore)",
        r"(regimen|regimen motor|revoluciones|toerental|motortoerental|toeren|rotacao|rotacoes)",
        r"(obroty|predkosc obrotowa|otacky|varvtal|omdrejninger|kierrosluku)",
    ),
    "roller_speed": (
        r"(roller|wheel|road|vehicle|ground|gps|dyno|bike)? ?(speed|velocity)( km h| kmh| mph)?",
        r"(road|vehicle) (kmh|km h|mph)|kmh|km h|mph|vss",
        r"(rollen|rad|fahr|fahrzeug)?geschwindigkeit|vitesse( vehicule| roue| rouleau)?",
        r"velocita( ruota| rullo| veicolo)?|velocidad( rueda| rodillo)?|velocidade",
        r"snelheid|rijsnelheid|predkosc|rychlost|hastighet",
    ),
    "wheel_power": (
        r"(wheel|rear wheel|roller|dyno|corrected|brake)? ?(power|kw|hp|ps|bhp|whp)",
        r"(rad)?leistung|puissance( roue)?|potenza( ruota)?|potencia( rueda)?|vermogen|moc|vykon",
        r"effekt|teho|power (kw|hp|ps|cv)",
    ),
    "wheel_torque": (
        r"(wheel|engine|crank|motor)? ?(torque|trq|tq)( nm| lbft| lb ft| ft lb)?",
        r"(rad|motor)?drehmoment|couple( moteur| roue)?|coppia( motore)?|par( motor)?|koppel",
        r"moment( obrotowy)?|tocivy moment|vridmoment|binario|nm",
    ),
    "lambda_wide": (
        r"(wideband )?(lambda|afr|air fuel ratio|air fuel|a f|wbo2|wideband)( 1| a| left| l)?",
        r"(mixture|gemisch|luftzahl|richesse|rapport air carburant|miscela|mezcla|mengsel)( 1)?",
        r"(kraftstoff luft|luft kraftstoff)( verhaltnis)?|blandning|mieszanka",
    ),
    "lambda_wide_2": (
        r"(wideband )?(lambda|afr|air fuel ratio|air fuel|a f|mixture|gemisch)"
        r"( 2| b| right| r| #2)",
    ),
    "o2_narrow": (
        r"(o2|oxygen|narrow ?band|lambda sensor|lambdasonde)( sensor| sonde)?"
        r" ?(volt(age|s)?|v|mv)?",
        r"ho2s|o2 ?b1s1|sonde lambda|sonda lambda",
    ),
    "throttle": (
        r"(absolute |relative |actual )?(throttle|tps|tp|grip|twist grip)"
        r"( position| pos| opening| angle| sensor| plate| blade| valve)*( pct| 1| main)?",
        r"(position|posizione|posicion|positie) (papillon|farfalla|mariposa|gasklep)",
        r"(opening|drosselklappe|drosselklappen(stellung|offnung|winkel))( pct)?",
        r"gasgriff(stellung)?",
        r"dk( ?(winkel|stellung|offnung|poti))?( pct)?",
        r"(accelerator|gas)( pedal)?( position)?( pct)?",
        r"(offnung|gas|papillon|ouverture( papillon)?|acceleratore|farfalla|apertura( farfalla)?)",
        r"(apertura mariposa|mariposa|acelerador|gasklep(stand)?|przepustnica|klapka|gasspjall)",
    ),
    "map_pressure": (
        r"(map|boost)( pressure| press| kpa)?|manifold( absolute)?( pressure| press)?",
        r"(intake|inlet)( air| absolute| manifold)* (pressure|press|kpa)",
        r"p (saugrohr|saug|lade|boost|map|admission)",
        r"(saugrohr|ansaug|ladedruck|saugrohrdruck)(druck)?|pression (admission|collecteur)",
        r"pressione (aspirazione|collettore)|presion (admision|colector)|inlaatdruk",
    ),
    "intake_air_temp": (
        r"(intake|inlet|charge|air)( air)? ?(temperature|temp|t)|iat|act|mat|(intake|inlet) [cf]",
        r"t (ansaug|ansaugluft|saugrohr|admission)",
        r"ansaugluft(temperatur)?|lufttemperatur|temp(erature)? (air )?admission|t aria",
        r"temperatura (aria|aire|aspirazione|admision)|inlaatlucht(temperatuur)?",
    ),
    "coolant_temp": (
        r"(engine )?(coolant|engine|water|clt|ect|eot)( temperature| temp| t)?( c| f)?",
        r"t (motor|mot|wasser|kuhl(mittel|wasser)?|eau|agua)",
        r"kuhl(mittel|wasser)(temperatur)?|wassertemperatur|motortemperatur",
        r"temp(erature)? (eau|moteur|liquide)|t acqua|temperatura (acqua|agua|motor|refrigerante)",
        r"koelvloeistof(temperatuur)?|watertemperatuur|motortemp",
    ),
    "oil_temp": (
        r"(oil)( temperature| temp| t)( c| f)?|ol ?temp(eratur)?|temp(erature)? (huile|d huile)",
        r"t (ol|oel|oil|huile|aceite)|oel ?temp(eratur)?",
        r"temperatura (olio|aceite)|t olio|olietemperatuur",
    ),
    "ignition_advance": (
        r"(ignition|spark|ign|timing)( advance| angle| timing)?( deg)?|advance|zundwinkel",
        r"zundung|zundzeitpunkt|avance( allumage)?|anticipo|avance encendido|ontsteking",
    ),
    "injector_time": (
        r"(injector|injection|inj|fuel)( 1)? ?(pulse ?width|pw|time|duration|open time|ms)",
        r"einspritz(zeit|dauer)|temps (d )?injection|tempo iniezione|tiempo inyeccion|injector ms",
        r"injectietijd|injector",
    ),
    "fuel_trim_short": (
        r"(short ?term|stft|st)( fuel)? ?(trim|correction)?( pct)?( b(ank)? ?1| 1)?( pct)?",
        r"fuel trim short( term)?",
    ),
    "fuel_trim_long": (
        r"(long ?term|ltft|lt)( fuel)? ?(trim|correction)?( pct)?( b(ank)? ?1| 1)?( pct)?",
        r"fuel trim long( term)?",
    ),
    "knock": (
        r"knock( level| count| volt(age|s)?| sensor)?|klopf(en|signal)|cliquetis|detonation",
    ),
    "exhaust_co": (
        r"(exhaust |abgas |gas )?co( (vol|pct|vol pct))?|carbon monoxide|kohlenmonoxid",
    ),
    "exhaust_co2": (
        r"(exhaust |abgas |gas )?co ?2( (vol|pct|vol pct))?|carbon dioxide|kohlendioxid",
    ),
    "exhaust_o2": (r"(exhaust|abgas|gas|analyser|analyzer) o2( (vol|pct|vol pct))?|o2 vol( pct)?",),
    "exhaust_hc": (r"(exhaust |abgas |gas )?hc( ppm)?|hydrocarbons|kohlenwasserstoffe",),
    "gear": (
        r"(selected |current )?gear( position| pos| number)?|gang|marcia|marcha|versnelling|bieg",
        r"rapport( engage)?|vitesse engagee",
    ),
    "battery": (
        r"(battery|batt|system|supply|ecu|(control )?module|v ?bat)( volt(age|s)?)?",
        r"bordspannung|batterie(spannung)?",
        r"(tension|tensione|tension bateria)( batterie| batteria)?|accuspanning",
    ),
    "ambient_temp": (
        r"(ambient|room|outside|cell|test cell)( air)? ?(temperature|temp|t)|umgebungstemperatur",
        r"t (raum|umgebung|amb|ambient|halle|room)",
        r"raumtemperatur|temperature ambiante|temperatura ambiente",
    ),
    "ambient_pressure": (
        r"(baro|barometer|barometric|ambient|atmospheric|air|station)( air)? ?(pressure|press)?",
        r"p (luft|umgebung|amb|ambient|baro|atm|halle|0)|p0",
        r"luftdruck|umgebungsdruck|pression atmospherique|pressione (atmosferica|ambiente)",
        r"presion (atmosferica|ambiente)|luchtdruk",
    ),
    "ambient_humidity": (
        r"(relative |ambient |air )?(humidity|rh)|luftfeuchte|luftfeuchtigkeit|humidite|umidita",
        r"humedad|luchtvochtigheid|(rel )?(luft)?feuchte|r f",
    ),
}  # fmt: skip

HINTS: dict[str, tuple[str, ...]] = {
    "time": (r"\b(time|zeit|temps|tempo|sec|clock|elapsed|stamp)\b",),
    "engine_speed": (r"^n$|\b(rpm|revs?|drehzahl|regime|giri|crank|engine)\b",),
    "roller_speed": (
        r"^v( rad| rolle)?$|speed|\broad\b|geschwindigkeit|vitesse|veloc|snelheid|km ?h|mph",
    ),
    "wheel_power": (
        r"^p( rad| mot| norm)?$|\b(power|kw|hp|ps|leistung|puissance|potenza|potencia|vermogen)\b",
    ),
    "wheel_torque": (r"^md?( rad| mot)?$|torque|moment|couple|coppia|koppel|\bnm\b",),
    "lambda_wide": (r"lambda|\bafr\b|air ?fuel|\bmix|wideband",),
    "lambda_wide_2": (r"(lambda|\bafr\b|mixture).*(2|b|rear|right)",),
    "o2_narrow": (r"\bo2\b|oxygen|narrow",),
    "throttle": (r"^dk\b|throttle|\btps\b|grip|drossel|papillon|farfalla|opening|gas",),
    "map_pressure": (r"\bmap\b|manifold|boost|saugrohr|admission",),
    "intake_air_temp": (r"\biat\b|intake|inlet|ansaug|charge|\bluft\b|\bair\b",),
    "coolant_temp": (r"coolant|water|\bect\b|\bclt\b|kuhl|eau|acqua|agua",),
    "oil_temp": (r"\boil\b|\bol\b|huile|olio|aceite",),
    "ignition_advance": (r"ignit|spark|advance|zund|timing",),
    "injector_time": (r"inject|\binj\b|\bpw\b|einspritz",),
    "fuel_trim_short": (r"short.*trim|stft",),
    "fuel_trim_long": (r"long.*trim|ltft",),
    "knock": (r"knock|klopf|deton",),
    "exhaust_co": (r"\bco\b.*(exhaust|gas|vol)|monox",),
    "exhaust_co2": (r"\bco ?2\b|diox",),
    "exhaust_o2": (r"\bo2\b.*(exhaust|gas|vol)",),
    "exhaust_hc": (r"\bhc\b|hydrocarb",),
    "gear": (r"\bgear\b|\bgang\b|marcia|marcha",),
    "battery": (r"batt|volt",),
    "ambient_temp": (
        r"(ambient|room|cell|raum|umgebung).*(temp|t)\b",
        r"^(?!.*(intake|inlet|saug|charge|admission)).*\b(luft|air)\b",
    ),
    "ambient_pressure": (r"baro|atmos|luftdruck|ambient.*press",),
    "ambient_humidity": (r"humid|feucht|umid|humed",),
}

HEAD: dict[str, tuple[str, ...]] = {
    "ambient_temp": (*SURE["ambient_temp"], r"(air|luft|room|raum)( |)temp(eratur|erature)?.*",
                     r"room deg[cf]|temp(erature)?( air)?"),
    "ambient_pressure": (*SURE["ambient_pressure"], r"pressure( hpa| kpa| mbar)?|druck"),
    "ambient_humidity": (*SURE["ambient_humidity"], r"humidity( pct)?"),
    "started_at": (r"(date|datum|date time|begun|begin|beginn|start|started|recorded|ride begun)"
                   r"( at| time)?", r"(fecha|data|zeitpunkt|datum zeit|run date|test date)"),
    "gear": SURE["gear"],
}  # fmt: skip
FACTOR = (r"(correction|korrektur|corr)( ?faktor| ?factor)?|cf|facteur( de correction)?|fattore",)
STANDARDS: dict[str, str] = {
    "ISO 4106": r"iso ?4106",
    "SAE J1349": r"j ?1349|\bsae\b(?!.*j ?607)",
    "SAE J607": r"j ?607|\bstd\b",
    "DIN 70020": r"din|70020",
    "ISO 1585": r"1585|iso",
}


def plain_words(text: str) -> str:
    """Return a header cell as small letters without accents, one blank between words.

    >>> plain_words("Öffnung_%"), plain_words("engineSpeed")
    ('offnung pct', 'engine speed')
    """
    text = (
        re.sub(r"(?<=[a-z]{2})(?=[A-Z][a-z])", " ", text).replace("λ", "lambda").replace("ß", "ss")
    )
    text = text.replace("ł", "l").replace("%", " pct ").replace("°", " ")
    text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return " ".join(re.sub(r"[^a-z0-9#]+", " ", text).split())
