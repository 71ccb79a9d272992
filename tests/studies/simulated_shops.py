"""Shops made up pull by pull, by a physics of their own, and put where the derived steps begin.

The level of a pull is what the bike makes, and on top of it: the dyno's day, how the bike is
strapped down, heat that each pull adds and each rest takes away, an engine that follows the air by
another exponent than the standard's, a weather station that errs all day long, and scatter. Nothing
here is taken from the code that is to be judged, but for the standard deviation that it gives to a
correction: that is its own claim. Bikes, parts and figures are invented.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import zlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl

from flows.derive import STEPS
from flows.metrics import air
from flows.steps import engine
from flows.steps.progress import plainly, quietly
from schemas.settings import ShopSettings
from warehouse import statements, store
from warehouse.shop import ShopFolder

STEP_RPM = 50.0
PULL_S, REST_MIN = 12.0, 3.0
COOLS_MIN, CHILLS_MIN, WARMS_PULLS = 25.0, 90.0, 4.5
"""Time constants: of a hot engine at rest, of a warm driveline at rest, and pulls that warm it."""
TILT_SHARE = 0.5
"""Strapping down also tilts a curve: by half as much as it moves its level."""
WIGGLE_RPM = 120.0
THERMOMETER_K, BAROMETER_PA, HYGROMETER_PCT = 0.7, 60.0, 3.0
"""What the weather station is off by, 1 SD, another day another error."""
FIRST_DAY = dt.date(2023, 1, 9)
WORKING_DAYS = 250
FILLED = ("out.pull", "out.pull_curve")
"""What stands in for the step that draws curves out of samples."""
ASKED = ("out.gain", "out.pooled_effect")
IF_THERE = ("out.gain_budget", "out.promise")


@dataclass(frozen=True)
class Situation:
    """What happens in a shop; shares are of power, 1 SD where nothing else is said."""

    name: str
    bikes: int = 40
    models: int = 4
    stages: int = 2
    null_share: float = 0.5
    """Share of bikes whose new parts give nothing."""
    gain_pct: tuple[float, float] = (1.5, 4.0)
    pull_sd: float = 0.0035
    is_heavy_tailed: bool = False
    wiggle_sd: float = 0.0025
    mount_sd: float = 0.004
    day_sd: float = 0.001
    is_strapped_anew: bool = True
    is_one_mounting_on_card: bool = False
    gap_min: float = 150.0
    days_between: tuple[int, int] = (0, 0)
    starts: tuple[float, float] = (8.5, 13.0)
    """Hours at which the two bikes of a day begin."""
    exponent: float = 0.0
    """How much more, or in every other shop less, the engine follows temperature than the standard
    says."""
    soak: float = 0.0
    """Lost from one pull to the next, over the first session."""
    cold: float = 0.0
    """Gained from the first pull to the second by a driveline that warms up."""
    odd: float = 0.0
    """Lost by one pull of one of the two sessions."""
    drift_per_hour: float = 0.0
    no_air: str = ""
    """Where files carry no weather: on "one side", "both sides" or in "half the jobs"."""
    control_hours: tuple[float, ...] = ()
    """When the control bike is run, each time strapped down anew, on every day that has a job."""
    repeats: int = 0
    """Bikes that come back another day, unchanged."""
    is_put_back: bool = False


class Bike(NamedTuple):
    """A bike as it is: its grid, the ln of its power, and the speeds as shares of its peak's."""

    bike_id: str
    model_id: str
    speed_rpm: np.ndarray
    ln_power: np.ndarray
    share: np.ndarray


@dataclass
class Session:
    """Pulls to be run: on which bike, when, in which state and how strapped down."""

    bike: Bike
    job_id: str
    stage_no: int
    build_id: str
    ln_gain: np.ndarray
    """Over the bike as it came."""
    begins: dt.datetime
    strapped: str
    mounting: str
    odd_pull: int = -1
    has_air: bool = True
    pulls: list[Pull] = field(default_factory=list)

    @property
    def stage_id(self) -> str:
        return f"{self.job_id}/{self.stage_no}"

    @property
    def ends(self) -> dt.datetime:
        return self.begins + dt.timedelta(minutes=2 * REST_MIN, seconds=3 * PULL_S)


class Pull(NamedTuple):
    """One pull as run, with the states that a judge who knows everything would reckon with."""

    started_at: dt.datetime
    read: dict[str, float]
    power_w: np.ndarray
    heat: float
    chill: float
    ln_warmth: float
    factor_error: float


@dataclass
class Shop:
    """All sessions by stage, and the bikes whose gains are to be judged."""

    situation: Situation
    sessions: dict[str, Session]

    def jobs(self) -> dict[str, list[Session]]:
        found: dict[str, list[Session]] = {}
        for one in self.sessions.values():
            found.setdefault(one.job_id, []).append(one)
        return found


class Air(NamedTuple):
    """The air in the room, or what a station reads of it."""

    temp_k: float
    pressure_pa: float
    humidity_pct: float

    @property
    def vapour_pa(self) -> float:
        """By the Magnus formula of WMO-No. 8."""
        celsius = self.temp_k - 273.15
        return self.humidity_pct / 100 * 611.2 * math.exp(17.62 * celsius / (243.12 + celsius))

    def ln_factor(self) -> float:
        """Return ln of the factor of SAE J1349, in its form since 1990."""
        dry_pa = self.pressure_pa - self.vapour_pa
        warm = (self.temp_k - 0.15) / 298.0  # the standard says 273 for 0 °C
        return math.log(1.180 * (99_000.0 / dry_pa) * math.sqrt(warm) - 0.180)


class Dyno:
    """A dyno through the year: its own level, the air around it, and its weather station."""

    def __init__(self, situation: Situation, rng: np.random.Generator) -> None:
        self.situation, self.rng = situation, rng
        self.exponent = float(rng.choice([-1.0, 1.0])) * situation.exponent
        self.days: dict[dt.date, dict[str, float]] = {}

    def on(self, day: dt.date) -> dict[str, float]:
        if day not in self.days:
            season = math.cos(2 * math.pi * (day.timetuple().tm_yday - 15) / 365)
            normal = self.rng.standard_normal(9)
            self.days[day] = {
                "level": self.situation.day_sd * normal[0],
                "temp_k": 273.15 + 13.0 - 10.0 * season + 2.0 * normal[1],
                "pressure_pa": 97_800.0 + 800.0 * normal[2],
                "humidity_pct": 45.0 + 8.0 * normal[3],
                "warms_k_per_h": 0.75 + 0.15 * normal[4],
                "falls_pa_per_h": 25.0 * normal[5],
                "thermometer": THERMOMETER_K * normal[6],
                "barometer": BAROMETER_PA * normal[7],
                "hygrometer": HYGROMETER_PCT * normal[8],
            }
        return self.days[day]

    def air(self, at: dt.datetime) -> tuple[Air, Air]:
        """Return the air as it is and as it is read."""
        day, hours = self.on(at.date()), at.hour + at.minute / 60 - 8.0
        true = Air(
            day["temp_k"] + day["warms_k_per_h"] * hours,
            day["pressure_pa"] - day["falls_pa_per_h"] * hours,
            day["humidity_pct"],
        )
        read = Air(
            round(true.temp_k + day["thermometer"] + 0.05 * self.rng.standard_normal(), 1),
            round(true.pressure_pa + day["barometer"] + 5 * self.rng.standard_normal(), -1),
            round(true.humidity_pct + day["hygrometer"]),
        )
        return true, read

    def run(self, sessions: Iterable[Session]) -> None:
        """Run sessions in the order of time; heat stays in a bike from one to the next."""
        heat: dict[str, tuple[dt.datetime, float, float]] = {}
        straps: dict[str, np.ndarray] = {}
        for session in sorted(sessions, key=lambda one: one.begins):
            bike = session.bike
            if session.strapped not in straps:
                level, tilt = self.situation.mount_sd * self.rng.standard_normal(2)
                straps[session.strapped] = level + TILT_SHARE * tilt * _across(bike)
            at = session.begins
            for number in range(3):
                last, hot, chill = heat.get(bike.bike_id, (at, 0.0, 1.0))
                rest_min = (at - last).total_seconds() / 60
                hot *= math.exp(-rest_min / COOLS_MIN)
                chill = 1 - (1 - chill) * math.exp(-rest_min / CHILLS_MIN)
                known = straps[session.strapped] + self._states(session, number, hot, chill)
                session.pulls.append(self._pull(session, at, known, hot, chill))
                ended = at + dt.timedelta(seconds=PULL_S)
                heat[bike.bike_id] = (ended, hot + 1.0, chill * math.exp(-1 / WARMS_PULLS))
                at = ended + dt.timedelta(minutes=REST_MIN)

    def _states(self, session: Session, number: int, hot: float, chill: float) -> float:
        situation = self.situation
        cooled = math.exp(-REST_MIN / COOLS_MIN)
        level = -situation.soak * hot / ((cooled + cooled**2) / 2)
        level -= situation.cold * chill / (1 - math.exp(-1 / WARMS_PULLS))
        if number == session.odd_pull:
            level += math.log1p(-situation.odd)
        return level

    def _pull(
        self, session: Session, at: dt.datetime, known: np.ndarray, hot: float, chill: float
    ) -> Pull:
        situation, rng, bike = self.situation, self.rng, session.bike
        true, read = self.air(at)
        ln_warmth = math.log(true.temp_k / 298.0)
        scatter = rng.standard_normal()
        if situation.is_heavy_tailed:
            # Student's t with 3 degrees of freedom has a variance of 3.
            scatter = rng.standard_t(3) / math.sqrt(3.0)
        hours = at.hour + at.minute / 60 - 8.0
        ln_power = (
            bike.ln_power
            + session.ln_gain
            + known
            + self.on(at.date())["level"]
            + situation.drift_per_hour * hours
            + situation.pull_sd * scatter
            + situation.wiggle_sd * _smooth_noise(bike.speed_rpm.size, rng)
            - true.ln_factor()
            - self.exponent * ln_warmth
        )
        if session.has_air:
            ln_power = ln_power + read.ln_factor()
        error = read.ln_factor() - true.ln_factor()
        return Pull(at, read._asdict(), np.exp(ln_power), hot, chill, ln_warmth, error)


def _across(bike: Bike) -> np.ndarray:
    """Return a slope over the speeds that are ridden, about 0 there, with a mean square of 1."""
    ridden = bike.share[bike.share >= 0.4]
    return (bike.share - ridden.mean()) / ridden.std()


def _smooth_noise(size: int, rng: np.random.Generator) -> np.ndarray:
    reach = np.arange(-8, 9) * STEP_RPM
    kernel = np.exp(-0.5 * (reach / WIGGLE_RPM) ** 2)
    kernel /= math.sqrt(float(kernel @ kernel))
    return np.convolve(rng.standard_normal(size + 16), kernel, mode="valid")


def a_bike(bike_id: str, model_id: str, rng: np.random.Generator) -> Bike:
    """Make a bike: power rises with speed, dips on the way, and falls past its peak.

    Bikes of a model are alike: one far from the others is doubted, and rightly.
    """
    of_model = np.random.default_rng(zlib.crc32(model_id.encode()))
    peak_rpm = 50.0 * round(of_model.uniform(7000, 10500) / 50) + 50.0 * rng.integers(-3, 4)
    last_rpm = peak_rpm + 50.0 * round(of_model.uniform(600, 1200) / 50)
    top_w = of_model.uniform(4e4, 1.1e5) * math.exp(0.02 * rng.standard_normal())
    speed = np.arange(2500.0, last_rpm, STEP_RPM)
    share = speed / peak_rpm
    shape = np.log(share) - (share**6 - 1) / 6
    dip = 0.03 * np.cos(4 * np.pi * share + of_model.uniform(0, 6.3) + rng.uniform(0, 1))
    return Bike(bike_id, model_id, speed, math.log(top_w) + shape + dip, share)


def a_gain(bike: Bike, mean_pct: float, rng: np.random.Generator) -> np.ndarray:
    """Return ln of a gain that differs by speed; its mean over the speeds ridden is as asked."""
    wave = 0.008 * np.sin(2 * np.pi * bike.share * rng.uniform(0.7, 1.3) + rng.uniform(0, 6.3))
    return math.log1p(mean_pct / 100) + wave - wave[bike.share >= 0.4].mean()


BUILDS = {
    "standard": (),
    "silencer": ("silencer",),
    "filter": ("air filter",),
    "filter, silencer": ("air filter", "silencer"),
    "filter, silencer, airbox": ("air filter", "airbox", "silencer"),
}
NULL_BUILDS = ("filter", "filter, silencer", "filter, silencer, airbox")


def a_shop(situation: Situation, rng: np.random.Generator) -> Shop:
    """Run a year of a shop in which one situation comes again and again."""
    sessions: list[Session] = []
    days = _days(situation.bikes // 2 + 1, rng)
    for number in range(situation.bikes):
        bike = a_bike(f"B-{number}", f"model {number % situation.models}", rng)
        at = at_hour(days[number // 2], situation.starts[number % 2])
        is_null = rng.random() < situation.null_share
        sessions += _job(situation, bike, f"J-{number}", at, is_null, rng)
    for number in range(situation.repeats):
        bike = a_bike(f"R-{number}", "model 0", rng)
        for visit in range(2):
            at = at_hour(days[(3 * number + visit * (number + 1)) % len(days)], 16.5 + 0.5 * visit)
            sessions.append(_alone(bike, f"R-{number}-{visit}", at))
    control = a_bike("CONTROL", "control", rng)
    for day in sorted({one.begins.date() for one in sessions}):
        for hour in situation.control_hours:
            sessions.append(_alone(control, f"C-{day} {hour:g}", at_hour(day, hour)))
    Dyno(situation, rng).run(sessions)
    return Shop(situation, {one.stage_id: one for one in sessions})


def _days(count: int, rng: np.random.Generator) -> list[dt.date]:
    """Return working days spread over a year."""
    places = np.sort(rng.choice(WORKING_DAYS, size=count, replace=False))
    return [working_day(int(place)) for place in places]


def working_day(number: int) -> dt.date:
    return FIRST_DAY + dt.timedelta(days=7 * (number // 5) + number % 5)


def at_hour(day: dt.date, hour: float) -> dt.datetime:
    return dt.datetime.combine(day, dt.time()) + dt.timedelta(minutes=round(60 * hour))


def _alone(bike: Bike, job_id: str, at: dt.datetime) -> Session:
    nothing = np.zeros_like(bike.speed_rpm)
    return Session(bike, job_id, 1, "standard", nothing, at, job_id, f"{job_id}/1")


def _job(
    situation: Situation,
    bike: Bike,
    job_id: str,
    at: dt.datetime,
    is_null: bool,
    rng: np.random.Generator,
) -> list[Session]:
    gain = np.zeros_like(bike.speed_rpm)
    if not is_null:
        gain = a_gain(bike, rng.uniform(*situation.gain_pct), rng)
    builds = ["standard", *(NULL_BUILDS if is_null else ("silencer",))][: situation.stages]
    if situation.is_put_back:
        builds = [*builds[:2], "standard"]
    odd_side, odd_pull = rng.integers(2), int(rng.integers(3)) if situation.odd else -1
    air = _with_air(situation, len(builds), rng)
    made: list[Session] = []
    for place, build in enumerate(builds):
        one = Session(
            bike, job_id, place + 1, build, gain if build != "standard" else 0 * gain, at,
            strapped=f"{job_id} {place if situation.is_strapped_anew else 0}",
            mounting=f"{job_id}/mounting 1" if situation.is_one_mounting_on_card
            else f"{job_id}/{place + 1}",
            odd_pull=odd_pull if place == odd_side else -1,
            has_air=air[place],
        )  # fmt: skip
        made.append(one)
        at = one.ends + dt.timedelta(minutes=situation.gap_min)
        if situation.days_between[1]:
            nights = int(rng.integers(situation.days_between[0], situation.days_between[1] + 1))
            at = at_hour(one.begins.date() + dt.timedelta(days=nights), rng.uniform(8.5, 15.5))
    return made


def _with_air(situation: Situation, stages: int, rng: np.random.Generator) -> list[bool]:
    if situation.no_air == "both sides" or (
        situation.no_air == "half the jobs" and rng.random() < 0.5
    ):
        return [False] * stages
    if situation.no_air == "one side":
        missing = int(rng.integers(stages))
        return [place != missing for place in range(stages)]
    return [True] * stages


def steps() -> list[engine.Step]:
    """Return the steps that lead from curves to gains and quotes, as they stand in the tree."""
    maker = {table: step for step in STEPS for table in (*step.tables, *step.beside)}
    wanted, found = [*ASKED, *(name for name in IF_THERE if name in maker)], []
    while wanted:
        table = wanted.pop()
        step = maker.get(table)
        if step is None or step in found or {*step.tables} & {*FILLED}:
            continue
        found.append(step)
        wanted += statements.of_tables(step.reads)
    return [step for step in STEPS if step in found]


class Warehouse:
    """A warehouse in memory that simulated sessions are put into."""

    def __init__(self, settings: ShopSettings | None = None) -> None:
        self.connection = duckdb.connect()
        self.connection.execute("SET enable_progress_bar = false")
        store.create(self.connection)
        self.given = engine.Given(ShopFolder(Path("/nowhere")), settings or ShopSettings())

    def __enter__(self) -> Warehouse:
        return self

    def __exit__(self, *_: object) -> None:
        self.connection.close()

    def bring_up(self) -> None:
        engine.bring_up(self.connection, steps(), self.given, plainly, quietly)

    def put(self, sessions: Iterable[Session]) -> None:
        """Fill the tables that links and curves would fill; jobs come whole."""
        sessions = list(sessions)
        for table, rows in _core_rows(sessions).items():
            self._insert(table, rows)
        self._insert("out.pull", [row for one in sessions for row in _pull_rows(one)])
        points = [
            pl.DataFrame({"pull_id": name, "engine_speed_rpm": speed, "power_w": power})
            for one in sessions
            for name, speed, power in _curves(one)
        ]
        store.insert(self.connection, "out.pull_curve", pl.concat(points))

    def _insert(self, table: str, rows: list[dict[str, Any]]) -> None:
        """Insert rows; columns that are not told are null, or empty where null is forbidden."""
        layer, name = table.split(".")
        empty = {
            column: None if is_nullable else EMPTY.get(kind)
            for column, kind, is_nullable in self.connection.execute(
                "SELECT column_name, data_type, is_nullable FROM duckdb_columns() "
                "WHERE schema_name = ? AND table_name = ?",
                [layer, name],
            ).fetchall()
        }
        whole = store.frame(self.connection, table, [empty | row for row in rows])
        self.connection.register("incoming", whole)
        self.connection.execute(
            f"INSERT OR IGNORE INTO {table} BY NAME SELECT * FROM incoming"  # noqa: S608
        )
        self.connection.unregister("incoming")

    def rows(self, query: str, *params: object) -> list[dict[str, Any]]:
        return store.rows(self.connection, query, *params).to_dicts()

    def has(self, table: str) -> bool:
        return bool(store.columns(self.connection, table))


EMPTY = {"VARCHAR": "", "BOOLEAN": False, "BIGINT": 0, "DOUBLE": 0.0}


def _core_rows(sessions: list[Session]) -> dict[str, list[dict[str, Any]]]:
    tables: dict[str, dict[Any, dict[str, Any]]] = {}

    def keep(table: str, key: object, **row: Any) -> None:
        tables.setdefault(table, {}).setdefault(key, row)

    for one in sessions:
        bike, is_control = one.bike, one.bike.model_id == "control"
        keep("core.model", bike.model_id, model_id=bike.model_id, make="Invented",
             model=bike.model_id, first_year=2018, last_year=2022, displacement_cc=690.0,
             cylinders=1, induction="natural")  # fmt: skip
        keep("core.bike", bike.bike_id, bike_id=bike.bike_id, model_id=bike.model_id,
             is_control=is_control)  # fmt: skip
        keep("core.job", one.job_id, job_id=one.job_id, job_folder=one.job_id,
             bike_id=bike.bike_id, received_on=one.begins.date(), is_control=is_control,
             card_sha256=one.job_id)  # fmt: skip
        parts = BUILDS[one.build_id]
        keep("core.build", one.build_id, build_id=one.build_id, map_name="stock", fuel="E5",
             parts_key=one.build_id, parts_label=one.build_id)  # fmt: skip
        for part in parts:
            keep("core.build_part", (one.build_id, part), build_id=one.build_id, category=part,
                 maker="Nobody", part_name="one")  # fmt: skip
        keep("core.stage", one.stage_id, stage_id=one.stage_id, job_id=one.job_id,
             bike_id=bike.bike_id, stage_no=one.stage_no, stage_name=one.build_id,
             build_id=one.build_id, mounting=one.mounting, gear=4, dyno="dyno")  # fmt: skip
        for row in _pull_rows(one):
            own = {name: row[name] for name in ALSO_IN_CORE}
            keep("core.pull", row["pull_id"], equipment="station", read_with="", rows_kept=900,
                 rows_rejected=0, file_gear=4, **own)  # fmt: skip
    return {table: list(rows.values()) for table, rows in tables.items()}


ALSO_IN_CORE = (
    "pull_id", "stage_id", "pull_no", "file_sha256", "file_name", "layout", "started_at",
    "power_state", "ambient_temp_k", "ambient_pressure_pa", "ambient_humidity_pct",
)  # fmt: skip


def _pull_rows(one: Session) -> list[dict[str, Any]]:
    rows = []
    for number, pull in enumerate(one.pulls, start=1):
        read = Air(**pull.read)
        top = int(np.argmax(pull.power_w))
        row: dict[str, Any] = {
            "pull_id": f"{one.stage_id}/{number}",
            "stage_id": one.stage_id,
            "pull_no": number,
            "file_name": f"{number}.csv",
            "file_sha256": f"{one.stage_id}/{number}",
            "layout": "plain",
            "started_at": pull.started_at,
            "peak_power_w": float(pull.power_w[top]),
            "peak_power_speed_rpm": float(one.bike.speed_rpm[top]),
            "engine_roller_ratio": 100.0,
            "ratio_kind": "constant",
            "sweep_from_rpm": float(one.bike.speed_rpm[0]),
            "sweep_to_rpm": float(one.bike.speed_rpm[-1]),
            "sweep_s": PULL_S,
            "is_peak_at_end": False,
            "power_state": "observed",
            "undone_factor": 1.0,
            "reference_air": "SAE J1349",
            "is_used": True,
            "notes": "[]",
            "made_from": one.stage_id,
        }
        weather = dict.fromkeys(("ambient_temp_k", "ambient_pressure_pa", "ambient_humidity_pct"))
        if one.has_air:
            weather = dict(zip(weather, read, strict=True))
            state = (read.temp_k, read.pressure_pa, read.vapour_pa)
            row["reference_factor"] = math.exp(read.ln_factor())
            row["reference_factor_sd"] = float(air.correction_factor_sd("SAE J1349", *state))
            row["air_density_kg_m3"] = float(air.air_density_kg_m3(*state))
        else:
            row["notes"] = json.dumps([{"code": "no weather", "missing": ["weather"]}])
        rows.append(row | weather)
    return rows


def _curves(one: Session) -> Iterable[tuple[str, np.ndarray, np.ndarray]]:
    for number, pull in enumerate(one.pulls, start=1):
        yield f"{one.stage_id}/{number}", one.bike.speed_rpm, pull.power_w
