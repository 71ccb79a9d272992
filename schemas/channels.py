"""The channels: all that is known of one stands in its record here, and nowhere else.

To add or change a channel, add or change its record: drafts, layouts, readers, contracts, samples
and pages take it from here.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Column:
    """Meaning, unit and bounds of a column; `why` gives the reason for the bounds."""

    meaning: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    why: str = ""


@dataclass(frozen=True, kw_only=True)
class Channel(Column):
    """A channel that a layout may map a file's column to.

    `word` is what layouts call it, `label` what pages do. `units` are those that files give it in,
    the commonest first; `usual` is where its middle nine tenths lie in the dictionary's own unit,
    narrower than the bounds, and a column that never passes `dull_below` says nothing (both common
    practice, no source). `asked` is the question for its unit where values cannot tell it.

    `sure` and `hints` are regular expressions on a header cell in small letters without accents,
    one blank for all marks between words: the first match it whole and name the channel surely,
    the second only hint at it. `head` names it above a table, in addition, where `in_head` is set.
    `is_steady` is a channel that jumps from value to value.
    """

    word: str
    label: str
    usual: tuple[float, float]
    units: tuple[str, ...]
    sure: tuple[str, ...]
    hints: tuple[str, ...]
    dull_below: float = -float("inf")
    asked: str = ""
    in_head: bool = False
    head: tuple[str, ...] = ()
    is_steady: bool = False


# fmt: off
CHANNELS: dict[str, Channel] = {
    "time_s": Channel(
        "Time since the log's own start.", "s", -60, 86_400,
        "A log is never longer than a day.", word="time", label="Time",
        usual=(0, 90_000), units=("s", "ms"),
        sure=(
            "(time|zeit|temps|tempo|tiempo|tijd|czas|cas|tid)( s| ms| sec)?",
            "(elapsed|log|run|lap)? ?(time|seconds|secs|sekunden|secondes|segundos|secondi"
            "|seconden)", "(device|gps|log|utc|local|sample|run) ?time( s| ms)?",
            "(clock|timestamp|t|time stamp|elapsed|zeitstempel|horodatage|milliseconds|ms)( s| ms"
            ")?",
        ),
        hints=(r"\b(time|zeit|temps|tempo|sec|clock|elapsed|stamp)\b",),
    ),
    "engine_speed_rpm": Channel(
        "Crankshaft speed.", "rpm", 0, 20_000,
        "Above any road engine in series production; a higher value is a doubled pulse.",
        word="engine_speed", label="Engine speed",
        usual=(600, 16_500), units=("rpm",), dull_below=1_200,
        sure=(
            "(engine|motor|crank|crankshaft|eng) ?(speed|rpm|revs)?( rpm)?",
            "(rpm|revs|n ?mot|drehzahl|motordrehzahl|u min|upm|umdrehungen)( rpm)?",
            "n (mot|motor|engine)",
            "(regime|regime moteur|vitesse moteur|tours|tr min|giri|giri motore|regime motore)",
            "(regimen|regimen motor|revoluciones|toerental|motortoerental|toeren|rotacao|rotacoes"
            ")", "(obroty|predkosc obrotowa|otacky|varvtal|omdrejninger|kierrosluku)",
        ),
        hints=(r"^n$|\b(rpm|revs?|drehzahl|regime|giri|crank|engine)\b",),
    ),
    "roller_speed_m_s": Channel(
        "Surface speed of the roller, or road speed.", "m/s", -1, 120,
        "432 km/h: above it the unit is wrong. Slightly negative is a sensor's zero.",
        word="roller_speed", label="Road speed",
        usual=(0, 95), units=("km/h", "mph", "m/s"), dull_below=2,
        asked="In which unit is the road speed?",
        sure=(
            "(roller|wheel|road|vehicle|ground|gps|dyno|bike)? ?(speed|velocity)( km h| kmh| mph"
            ")?", "(road|vehicle) (kmh|km h|mph)|kmh|km h|mph|vss",
            "(rollen|rad|fahr|fahrzeug)?geschwindigkeit|vitesse( vehicule| roue| rouleau)?",
            "velocita( ruota| rullo| veicolo)?|velocidad( rueda| rodillo)?|velocidade",
            "snelheid|rijsnelheid|predkosc|rychlost|hastighet",
        ),
        hints=(
            r"^v( rad| rolle)?$|speed|\broad\b|geschwindigkeit|vitesse|veloc|snelheid|km ?h|mph",
        ),
    ),
    "wheel_power_w": Channel(
        "Power at the driven wheel, as the file states it.", "W", -60_000, 400_000,
        "Negative on the overrun; 400 kW is twice the strongest road motorcycle.",
        word="wheel_power", label="Power",
        usual=(-15_000, 260_000), units=("kW", "PS", "hp", "W"), dull_below=1_500,
        asked="In which unit is the power?",
        sure=(
            "(wheel|rear wheel|roller|dyno|corrected|brake)? ?(power|kw|hp|ps|bhp|whp)",
            "(rad)?leistung|puissance( roue)?|potenza( ruota)?|potencia( rueda)?|vermogen|moc"
            "|vykon", "effekt|teho|power (kw|hp|ps|cv)",
        ),
        hints=(
            r"^p( rad| mot| norm)?$|\b(power|kw|hp|ps|leistung|puissance|potenza|potencia"
            r"|vermogen)\b",
        ),
    ),
    "wheel_torque_nm": Channel(
        "Torque at the wheel, referred to the shaft that the layout names.", "N·m", -400, 3_000,
        "At the wheel's own shaft a large twin in low gear stays below 3000 N·m.",
        word="wheel_torque", label="Torque",
        usual=(-60, 400), units=("Nm", "lbf*ft", "kgf*m"), dull_below=5,
        asked="In which unit is the torque?",
        sure=(
            "(wheel|engine|crank|motor)? ?(torque|trq|tq)( nm| lbft| lb ft| ft lb)?",
            "(rad|motor)?drehmoment|couple( moteur| roue)?|coppia( motore)?|par( motor)?|koppel",
            "moment( obrotowy)?|tocivy moment|vridmoment|binario|nm",
        ),
        hints=(r"^md?( rad| mot)?$|torque|moment|couple|coppia|koppel|\bnm\b",),
    ),
    "lambda_wide": Channel(
        "Air-fuel ratio over the stoichiometric one, by wideband gauge; first cylinder or bank.",
        "1", 0.4, 20,
        "Below 0.4 no gauge reads; free air and saturated gauges read high and are kept, marked.",
        word="lambda_wide", label="Mixture", usual=(0.6, 2), units=("1",),
        sure=(
            "(wideband )?(lambda|afr|air fuel ratio|air fuel|a f|wbo2|wideband)( 1| a| left| l)?",
            "(mixture|gemisch|luftzahl|richesse|rapport air carburant|miscela|mezcla|mengsel)( 1"
            ")?", "(kraftstoff luft|luft kraftstoff)( verhaltnis)?|blandning|mieszanka",
        ),
        hints=(r"lambda|\bafr\b|air ?fuel|\bmix|wideband",),
    ),
    "lambda_wide_2": Channel(
        "The same, second cylinder or bank.", "1", 0.4, 20,
        "As for lambda_wide.", word="lambda_wide_2", label="Mixture, second probe",
        usual=(0.6, 2), units=("1",),
        sure=(
            "(wideband )?(lambda|afr|air fuel ratio|air fuel|a f|mixture|gemisch)( 2| b| right| r"
            "| #2)",
        ),
        hints=(r"(lambda|\bafr\b|mixture).*(2|b|rear|right)",),
    ),
    "o2_narrow_v": Channel(
        "Voltage of a narrowband sensor: rich or lean of stoichiometric, nothing more.",
        "V", -0.5, 2,
        "A zirconia cell gives 0 to 1 V, an offset one up to 1.8 V.",
        word="o2_narrow", label="Narrowband sensor", usual=(0, 1.3), units=("V", "mV"),
        sure=(
            "(o2|oxygen|narrow ?band|lambda sensor|lambdasonde)( sensor| sonde)? ?(volt(age|s)?|v"
            "|mv)?", "ho2s|o2 ?b1s1|sonde lambda|sonda lambda",
        ),
        hints=(r"\bo2\b|oxygen|narrow",),
    ),
    "throttle_pct": Channel(
        "Throttle opening.", "%", -5, 110,
        "Uncalibrated sensors run a little past both ends.", word="throttle", label="Throttle",
        usual=(-3, 105), units=("%", "1"), dull_below=1.5,
        sure=(
            "(absolute |relative |actual )?(throttle|tps|tp|grip|twist grip)( position| pos"
            "| opening| angle| sensor| plate| blade| valve)*( pct| 1| main)?",
            "(position|posizione|posicion|positie) (papillon|farfalla|mariposa|gasklep)",
            "(opening|drosselklappe|drosselklappen(stellung|offnung|winkel))( pct)?",
            "gasgriff(stellung)?", "dk( ?(winkel|stellung|offnung|poti))?( pct)?",
            "(accelerator|gas)( pedal)?( position)?( pct)?",
            "(offnung|gas|papillon|ouverture( papillon)?|acceleratore|farfalla|apertura( farfalla"
            ")?)",
            "(apertura mariposa|mariposa|acelerador|gasklep(stand)?|przepustnica|klapka|gasspjall"
            ")",
        ),
        hints=(r"^dk\b|throttle|\btps\b|grip|drossel|papillon|farfalla|opening|gas",),
    ),
    "map_pressure_pa": Channel(
        "Absolute pressure in the intake.", "Pa", 5_000, 400_000,
        "From hard overrun to high boost.", word="map_pressure", label="Manifold pressure",
        usual=(18_000, 260_000), units=("kPa", "mbar", "bar", "psi"),
        sure=(
            "(map|boost)( pressure| press| kpa)?|manifold( absolute)?( pressure| press)?",
            "(intake|inlet)( air| absolute| manifold)* (pressure|press|kpa)",
            "p (saugrohr|saug|lade|boost|map|admission)",
            "(saugrohr|ansaug|ladedruck|saugrohrdruck)(druck)?|pression (admission|collecteur)",
            "pressione (aspirazione|collettore)|presion (admision|colector)|inlaatdruk",
        ),
        hints=(r"\bmap\b|manifold|boost|saugrohr|admission",),
    ),
    "intake_air_temp_k": Channel(
        "Temperature of the air that the engine breathes.", "K", 233, 423,
        "-40 to 150 °C.", word="intake_air_temp", label="Intake air temperature",
        usual=(258, 353), units=("degC", "degF", "K"),
        sure=(
            "(intake|inlet|charge|air)( air)? ?(temperature|temp|t)|iat|act|mat|(intake|inlet"
            ") [cf]", "t (ansaug|ansaugluft|saugrohr|admission)",
            "ansaugluft(temperatur)?|lufttemperatur|temp(erature)? (air )?admission|t aria",
            "temperatura (aria|aire|aspirazione|admision)|inlaatlucht(temperatuur)?",
        ),
        hints=(r"\biat\b|intake|inlet|ansaug|charge|\bluft\b|\bair\b",),
    ),
    "coolant_temp_k": Channel(
        "Coolant temperature.", "K", 233, 423,
        "-40 to 150 °C.", word="coolant_temp", label="Coolant temperature",
        usual=(273, 400), units=("degC", "degF", "K"),
        sure=(
            "(engine )?(coolant|engine|water|clt|ect|eot)( temperature| temp| t)?( c| f)?",
            "t (motor|mot|wasser|kuhl(mittel|wasser)?|eau|agua)",
            "kuhl(mittel|wasser)(temperatur)?|wassertemperatur|motortemperatur",
            "temp(erature)? (eau|moteur|liquide)|t acqua|temperatura (acqua|agua|motor"
            "|refrigerante)", "koelvloeistof(temperatuur)?|watertemperatuur|motortemp",
        ),
        hints=(r"coolant|water|\bect\b|\bclt\b|kuhl|eau|acqua|agua",),
    ),
    "oil_temp_k": Channel(
        "Oil temperature.", "K", 233, 473,
        "-40 to 200 °C.", word="oil_temp", label="Oil temperature",
        usual=(273, 430), units=("degC", "degF", "K"),
        sure=(
            "(oil)( temperature| temp| t)( c| f)?|ol ?temp(eratur)?|temp(erature)? (huile|d huile"
            ")", "t (ol|oel|oil|huile|aceite)|oel ?temp(eratur)?",
            "temperatura (olio|aceite)|t olio|olietemperatuur",
        ),
        hints=(r"\boil\b|\bol\b|huile|olio|aceite",),
    ),
    "ignition_advance_deg": Channel(
        "Ignition advance before top dead centre.", "°", -64, 64,
        "The range of an OBD reading.", word="ignition_advance", label="Ignition advance",
        usual=(-20, 60), units=("deg",),
        sure=(
            "(ignition|spark|ign|timing)( advance| angle| timing)?( deg)?|advance|zundwinkel",
            "zundung|zundzeitpunkt|avance( allumage)?|anticipo|avance encendido|ontsteking",
        ),
        hints=("ignit|spark|advance|zund|timing",),
    ),
    "injector_time_s": Channel(
        "Injector opening time.", "s", 0, 0.1,
        "Longer than two turns at idle is a unit error.",
        word="injector_time", label="Injector time", usual=(0.0002, 0.03), units=("ms", "us", "s"),
        sure=(
            "(injector|injection|inj|fuel)( 1)? ?(pulse ?width|pw|time|duration|open time|ms)",
            "einspritz(zeit|dauer)|temps (d )?injection|tempo iniezione|tiempo inyeccion"
            "|injector ms", "injectietijd|injector",
        ),
        hints=(r"inject|\binj\b|\bpw\b|einspritz",),
    ),
    "fuel_trim_short_pct": Channel(
        "Short-term fuel trim, positive adds fuel.", "%", -100, 100,
        "The range of an OBD reading.", word="fuel_trim_short", label="Fuel trim, short term",
        usual=(-40, 40), units=("%",),
        sure=(
            "(short ?term|stft|st)( fuel)? ?(trim|correction)?( pct)?( b(ank)? ?1| 1)?( pct)?",
            "fuel trim short( term)?",
        ),
        hints=("short.*trim|stft",),
    ),
    "fuel_trim_long_pct": Channel(
        "Long-term fuel trim, positive adds fuel.", "%", -100, 100,
        "The range of an OBD reading.", word="fuel_trim_long", label="Fuel trim, long term",
        usual=(-40, 40), units=("%",),
        sure=(
            "(long ?term|ltft|lt)( fuel)? ?(trim|correction)?( pct)?( b(ank)? ?1| 1)?( pct)?",
            "fuel trim long( term)?",
        ),
        hints=("long.*trim|ltft",),
    ),
    "knock": Channel(
        "Knock activity in the logger's own scale.", "", 0, 1000000.0,
        "Never negative.", word="knock", label="Knock", usual=(0, 100_000), units=("1",),
        sure=("knock( level| count| volt(age|s)?| sensor)?|klopf(en|signal)|cliquetis|detonation",),
        hints=("knock|klopf|deton",),
    ),
    "exhaust_co_pct": Channel(
        "Carbon monoxide in the dry exhaust, by volume.", "%", -0.5, 21,
        "All the oxygen of the air as carbon monoxide would be less; a zero that is off.",
        word="exhaust_co", label="Exhaust CO", usual=(0, 12), units=("%",),
        sure=("(exhaust |abgas |gas )?co( (vol|pct|vol pct))?|carbon monoxide|kohlenmonoxid",),
        hints=(r"\bco\b.*(exhaust|gas|vol)|monox",),
    ),
    "exhaust_co2_pct": Channel(
        "Carbon dioxide in the dry exhaust, by volume.", "%", -0.5, 21,
        "All the oxygen of the air as carbon dioxide is 21 %; a zero that is off.",
        word="exhaust_co2", label="Exhaust CO2", usual=(3, 16), units=("%",),
        sure=("(exhaust |abgas |gas )?co ?2( (vol|pct|vol pct))?|carbon dioxide|kohlendioxid",),
        hints=(r"\bco ?2\b|diox",),
    ),
    "exhaust_o2_pct": Channel(
        "Oxygen in the dry exhaust, by volume.", "%", -0.5, 22,
        "Free air, and a zero that is off.", word="exhaust_o2", label="Exhaust O2",
        usual=(0, 10), units=("%",),
        sure=("(exhaust|abgas|gas|analyser|analyzer) o2( (vol|pct|vol pct))?|o2 vol( pct)?",),
        hints=(r"\bo2\b.*(exhaust|gas|vol)",),
    ),
    "exhaust_hc_ppm": Channel(
        "Hydrocarbons in the dry exhaust, as hexane, by volume.", "ppm", -100, 100_000,
        "A tenth of the exhaust: no cylinder fires there; a zero that is off.",
        word="exhaust_hc", label="Exhaust HC", usual=(5, 5_000), units=("ppm",),
        sure=("(exhaust |abgas |gas )?hc( ppm)?|hydrocarbons|kohlenwasserstoffe",),
        hints=(r"\bhc\b|hydrocarb",),
    ),
    "gear": Channel(
        "Gear engaged, 0 for neutral.", "", 0, 8,
        "Motorcycles have up to 7 gears.", word="gear", label="Gear", usual=(0, 7), units=("1",),
        sure=(
            "(selected |current )?gear( position| pos| number)?|gang|marcia|marcha|versnelling"
            "|bieg", "rapport( engage)?|vitesse engagee",
        ),
        hints=(r"\bgear\b|\bgang\b|marcia|marcha",), in_head=True, is_steady=True,
    ),
    "battery_v": Channel(
        "Battery voltage.", "V", 0, 80,
        "Up to a 72 V system.", word="battery", label="Battery voltage",
        usual=(9, 17), units=("V", "mV"),
        sure=(
            "(battery|batt|system|supply|ecu|(control )?module|v ?bat)( volt(age|s)?)?",
            "bordspannung|batterie(spannung)?",
            "(tension|tensione|tension bateria)( batterie| batteria)?|accuspanning",
        ),
        hints=("batt|volt",),
    ),
    "ambient_temp_k": Channel(
        "Air temperature in the room.", "K", 233, 333,
        "-40 to 60 °C.", word="ambient_temp", label="Room temperature",
        usual=(263, 318), units=("degC", "degF", "K"),
        sure=(
            "(ambient|room|outside|cell|test cell)( air)? ?(temperature|temp|t)"
            "|umgebungstemperatur", "t (raum|umgebung|amb|ambient|halle|room)",
            "raumtemperatur|temperature ambiante|temperatura ambiente",
        ),
        hints=(
            r"(ambient|room|cell|raum|umgebung).*(temp|t)\b",
            r"^(?!.*(intake|inlet|saug|charge|admission)).*\b(luft|air)\b",
        ),
        in_head=True,
        head=(
            "(air|luft|room|raum)( |)temp(eratur|erature)?.*",
            "room deg[cf]|temp(erature)?( air)?|room air",
        ),
    ),
    "ambient_pressure_pa": Channel(
        "Air pressure in the room, not reduced to sea level.", "Pa", 60_000, 108_000,
        "From 4000 m of altitude to the highest pressure ever met at sea level.",
        word="ambient_pressure", label="Room pressure",
        usual=(80_000, 106_000), units=("mbar", "kPa", "inHg", "mmHg"),
        sure=(
            "(baro|barometer|barometric|ambient|atmospheric|air|station)( air)? ?(pressure|press"
            ")?", "p (luft|umgebung|amb|ambient|baro|atm|halle|0)|p0",
            "luftdruck|umgebungsdruck|pression atmospherique|pressione (atmosferica|ambiente)",
            "presion (atmosferica|ambiente)|luchtdruk",
        ),
        hints=("baro|atmos|luftdruck|ambient.*press",), in_head=True,
        head=("pressure( hpa| kpa| mbar)?|druck",),
    ),
    "ambient_humidity_pct": Channel(
        "Relative humidity.", "%", 0, 100,
        "By definition.", word="ambient_humidity", label="Room humidity",
        usual=(5, 100), units=("%",),
        sure=(
            "(relative |ambient |air )?(humidity|rh)|luftfeuchte|luftfeuchtigkeit|humidite"
            "|umidita", "humedad|luchtvochtigheid|(rel )?(luft)?feuchte|r f",
        ),
        hints=("humid|feucht|umid|humed",), in_head=True,
        head=("humidity( pct)?",),
    ),}
# fmt: on
"""Column of the samples → its record; the order is that of the columns."""

CHANNEL_COLUMNS = {channel.word: name for name, channel in CHANNELS.items()}
"""Word that a layout uses → column of the samples, such as `engine_speed` → `engine_speed_rpm`."""

BY_WORD = {channel.word: channel for channel in CHANNELS.values()}
