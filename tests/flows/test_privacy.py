"""What of a file is private: positions and people, told by what a column is, not by loose words."""

import numpy as np
import polars as pl
import pytest
from typer.testing import CliRunner

from flows import teach
from flows.guess import guess
from flows.privacy import private_by_name, private_by_values
from flows.readers.look import look
from schemas.desk import AskDraft
from tests.each import each

# Names that loggers and engine management write everywhere (the trade's usual words; from memory).
USUAL = """
Throttle Position|Throttle Position Sensor|Absolute throttle position (%)|Relative Throttle Position
Throttle plate angle|Throttle blade position|Commanded throttle actuator|TPS|TPS 1|TPS (Main)
Accelerator pedal position|Accelerator Pedal Position D|Pedal position|APP|Grip position|Twist grip
Driver demand torque|Driver throttle demand|Rider torque request|Rider request
Gear|Gear Position|Gear pos|Gear number|Neutral switch|Selected gear|Gear position voltage
Short Term Fuel Trim|Long Term Fuel Trim|Long term fuel trim Bank 1|Short term fuel trim bank 1 (%)
LTFT|STFT B1|Fuel trim long|Lambda long term|Long fuel correction|Fuel level
Camshaft position|Cam position|Crankshaft position|Crank position sensor|Cam angle|VVT position
Engine RPM|Engine speed|RPM|Engine RPM(rpm)|Vehicle speed (km/h)|Speed|Road speed|Wheel speed
GPS Speed|GPS speed (km/h)|GPS time|GPS satellites|GPS accuracy|GPS HDOP|GNSS speed|GPS date
Front wheel speed|Rear wheel speed|Slip|Lateral acceleration|Lat acc|Lat G|Lateral G
Longitudinal acceleration|Long acc|Long G|Longitudinal acc|Vertical acc|Lean angle|Roll|Pitch|Yaw
Front suspension position|Rear suspension position|Fork position|Shock pos|Fork travel
Steering position|Brake position|Brake pressure|Clutch position|Clutch switch|Shift lever position
Exhaust valve position|EXUP position|Servo position|Idle valve position|IAC position|IACV steps
EGR valve position|Wastegate position|Turbo position|Flap position|Actuator position|Airbox flap
Manifold pressure|MAP|Intake manifold absolute pressure|Baro|Barometric pressure|Boost
Intake air temperature|IAT|Coolant temperature|Engine coolant temperature(°C)|Oil temp|Oil pressure
Bearing temperature|Main bearing temp|Gearbox temp|Ambient temp|Ambient air temperature
Ignition advance|Timing advance|Spark angle|Dwell|Coil driver temp|Injector driver|Injector driver 2
Pulse width|Injector duration|Injector pulse width|Longitud de pulso|Fuel pressure|Fuel flow
Pilot injection|Pilot quantity|Altitude correction|Altitude compensation|Altitude fuel factor
Lambda|Lambda 1|AFR|Wideband|O2 sensor voltage|O2 B1S1|Equivalence ratio|Commanded lambda
Knock|Knock count|Battery|Battery voltage|Control module voltage|Engine load|Calculated load
Power|Wheel power|Torque|Leistung|Drehmoment|Drehzahl|Drosselklappe|Drosselklappenstellung
Position papillon|Posizione farfalla|Posición mariposa|Gasklep positie|Position accélérateur
Course accélérateur|Gang|Gangposition|Régime moteur|Vitesse|Velocità|Ansauglänge|Intake length
Log name|File name|Session name|Channel name|Lap|Lap name|Lap time|Distance|Marker|Sector
Memory address|Heater plate temp|CAN id|Status|DTC count|Engine run time|Warm up|Time|Timestamp
Sensor position|Position|Device Time|Run time|MIL|Ethanol content|Air mass|Mass air flow|MAF
""".replace("\n", "|").strip("|").split("|")  # fmt: skip

PRIVATE = """
Latitude|latitude [deg]|Lat|lat_deg|GPS Lat|GPS_Latitude|gps.lat|Latitude (N)|Start latitude|LAT
Longitude|Longitude (deg)|Lon|Lng|Long|GPS Lon|GPS Long|gps_lng|Longitude WGS84|Longitude E7|pos lat
Breitengrad|Längengrad|Breite|Länge|geogr. Breite|GPS Breite|Latitudine|Longitudine|Latitud|Longitud
Breedtegraad|Lengtegraad|Latitude GPS|Longitude GPS|GPS X|GPS Y|Easting|Northing|UTM east|MGRS
Geohash|Plus code|NMEA|GPRMC|$GPGGA|NMEA sentence|Coordinates|GPS coords|Koordinaten|Coordonnées
Coordenadas|Coördinaten|GPS position|Position GPS|Posizione GPS|Posición GPS|GPS positie|Standort
Location|GPS location|Ubicación|Localisation|Vehicle position|LatLon|Lat/Long|Altitude|GPS Altitude
GPS altitude (m)|Altitud|Altitudine|Höhe|Meereshöhe|Hoogte|Heading|GPS heading|Bearing|GPS course
Name|Owner|Customer|Rider|Driver|Driver name|Kunde|Fahrer|Besitzer|Client|Pilote|Propriétaire|Klant
Nom|Cliente|Name of owner|VIN|Chassis number|Frame no|Fahrgestellnummer|Kennzeichen|Plate|Targa
License plate|Kenteken|Serial|Serial number|E-mail|Phone|Address|IMEI|Device ID|Home address
""".replace("\n", "|").strip("|").split("|")  # fmt: skip


def test_the_lists_are_long_enough():
    assert len(set(USUAL)) >= 150
    assert len(set(PRIVATE)) >= 60


@each(USUAL)
def test_a_usual_channel_is_not_private_by_its_name(name):
    assert private_by_name(name) == ""


@each(PRIVATE)
def test_positions_and_people_are_private_by_their_name(name):
    assert private_by_name(name) != ""


def rode(rows=600, rate=10.0, seed=1):
    """Return latitude and longitude of an invented ride at sea, as a receiver gives them."""
    random = np.random.default_rng(seed)
    heading = np.cumsum(random.normal(0, 0.02, rows))
    speed = 14 + 6 * np.sin(np.arange(rows) / 70)
    # A degree of latitude is 111 km, of longitude that times the cosine (by hand).
    lat = -41.87 + np.cumsum(speed * np.cos(heading)) / rate / 111_000
    lon = -112.25 + np.cumsum(speed * np.sin(heading)) / rate / (
        111_000 * np.cos(np.radians(41.87))
    )
    return lat, lon


def minutes(degrees):
    whole = np.trunc(degrees)
    return whole * 100 + (degrees - whole) * 60


@pytest.mark.parametrize(
    "written",
    [
        lambda d: np.round(d, 7),
        lambda d: np.round(d, 5),
        lambda d: np.round(np.repeat(d[::10], 10), 6),
        lambda d: np.round(d * 1e7),
        lambda d: np.round(minutes(d), 4),
        lambda d: d,
        lambda d: np.round(d + np.random.default_rng(4).normal(0, 3e-7, d.size), 7),
        lambda d: np.full(d.size, np.round(d[300], 6)),
    ],
    ids=["seven", "five", "once a second", "whole numbers", "minutes", "all", "noise", "standing"],
)
def test_two_columns_that_move_as_a_place_are_private_whatever_their_name(written):
    lat, lon = rode()
    frame = pl.DataFrame({"ch1": np.arange(600) / 10, "ch7": written(lat), "ch9": written(lon)})
    assert set(private_by_values(frame, set())) == {"ch7", "ch9"}


@pytest.mark.parametrize(
    "cell",
    ["N47 12.345", "47°12'34.5\"N", "47 12.345 N", "$GPRMC,123519,A,4807.038,N", "POINT(11.1 47.2)",
     "-41.87001, -112.25001", "47.20123 N", "ann@example.org", "AB1CD23EF45GH6789"],
)  # fmt: skip
def test_texts_that_can_only_be_positions_or_people_are_private(cell):
    frame = pl.DataFrame({"extra": [cell] * 30, "t": [float(n) for n in range(30)]})
    assert set(private_by_values(frame, set())) == {"extra"}


@pytest.mark.parametrize("kind", ["pull", "ride"])
@pytest.mark.parametrize("seed", range(10))
def test_no_column_of_a_sound_log_is_private_by_its_values(kind, seed):
    from tests.broken.broken_files import sound_log

    log = sound_log(kind, np.random.default_rng(seed))
    rows = np.array([[float(cell) for cell in row] for row in log.rows]).T
    frame = pl.DataFrame({f"ch{at}": values for at, values in enumerate(rows)})
    assert private_by_values(frame, set()) == {}


def a_ride(headers="time;rpm;Throttle Position;lambda;ch7;ch9", rows=400):
    from tests.broken.broken_files import sound_log

    t = sound_log("ride", np.random.default_rng(2)).truth
    lat, lon = rode(rows)
    lines = [
        headers,
        *(
            f"{t['time_s'][at]:.2f};{t['engine_speed_rpm'][at]:.0f};{t['throttle_pct'][at]:.1f};"
            f"{t['lambda_wide'][at]:.3f};{lat[at]:.6f};{lon[at]:.6f}"
            for at in range(rows)
        ),
    ]
    return "\n".join(lines) + "\n"


def test_throttle_position_is_the_throttle_and_a_track_without_names_is_told_nowhere(tmp_path):
    path = tmp_path / "ride.csv"
    path.write_text(a_ride(), encoding="utf-8")
    found = guess(look(path))
    words = {column.name: column.channel or column.words for column in found.columns}
    assert words["Throttle Position"] == "throttle"
    assert words["ch7"] == words["ch9"] == "left in the archive"
    told = str(teach.drafted(AskDraft(file=path))) + str(teach.tried(path, found.layout()))
    assert "41.8" not in told
    assert "112.2" not in told


def test_a_person_overrules_what_was_taken_for_private_both_ways(tmp_path):
    path = tmp_path / "ride.csv"
    path.write_text(a_ride("time;rpm;driver;lambda;ch7;ch9"), encoding="utf-8")
    first = guess(look(path))
    assert {c.name for c in first.columns if c.is_private} == {"driver", "ch7", "ch9"}
    second = guess(look(path), private=["lambda"], not_private=["driver"])
    assert {c.name for c in second.columns if c.is_private} == {"lambda", "ch7", "ch9"}
    driver = next(c for c in second.columns if c.name == "driver")
    assert driver.example
    lam = next(c for c in second.columns if c.name == "lambda")
    assert (lam.channel, lam.example) == (None, "")
    # The layout keeps the word: nobody is shown the column when it is corrected.
    asked = AskDraft(file=path, private=("lambda",), not_private=("driver",))
    tables = teach.drafted(asked).tables
    assert tables["layout"]["private"] == ["lambda"]


def test_the_command_line_takes_a_persons_word_and_never_shows_a_position(tmp_path):
    from flows.cli import app

    path = tmp_path / "ride.csv"
    path.write_text(a_ride("time;rpm;driver;lambda;ch7;ch9"), encoding="utf-8")
    command = ["layout", "draft", str(path), "--not-private", "driver", "--private", "lambda"]
    done = CliRunner().invoke(app, command)
    assert done.exit_code == 0, done.output
    assert "41.8" not in done.output
    assert "112.2" not in done.output
