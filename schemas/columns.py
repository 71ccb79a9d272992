"""The column dictionary: what each column means, in which unit, and why its bounds stand.

One name, one meaning, one unit, in every table. Samples are bounded tightly enough to catch a
broken channel; derived figures carry no bounds of their own, because a metric raises instead.
"""

from __future__ import annotations

from dataclasses import dataclass

UNIT_BY_SUFFIX = {
    "_rpm": "rpm",
    "_nm": "N·m",
    "_w": "W",
    "_k": "K",
    "_pa": "Pa",
    "_kg_m3": "kg/m³",
    "_m_s": "m/s",
    "_s": "s",
    "_ns": "ns",
    "_v": "V",
    "_cc": "cm³",
    "_deg": "°",
    "_pct": "%",
    "_ppm": "ppm",
    "_share": "1",
    "_bytes": "B",
}
"""The unit that a name's ending promises. Longer endings win: `_m_s` before `_s`."""


@dataclass(frozen=True)
class Column:
    """Meaning, unit and bounds of a column; `why` gives the reason for the bounds."""

    meaning: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    why: str = ""


def _channel(meaning: str, unit: str, low: float, high: float, why: str) -> Column:
    return Column(meaning, unit, low, high, why)


CHANNELS: dict[str, Column] = {
    "time_s": _channel(
        "Time since the log's own start.", "s", -60, 86_400, "A log is never longer than a day."
    ),
    "engine_speed_rpm": _channel(
        "Crankshaft speed.",
        "rpm",
        0,
        20_000,
        "Above any road engine in series production; a higher value is a doubled pulse.",
    ),
    "roller_speed_m_s": _channel(
        "Surface speed of the roller, or road speed.",
        "m/s",
        -1,
        120,
        "432 km/h: above it the unit is wrong. Slightly negative is a sensor's zero.",
    ),
    "wheel_power_w": _channel(
        "Power at the driven wheel, as the file states it.",
        "W",
        -60_000,
        400_000,
        "Negative on the overrun; 400 kW is twice the strongest road motorcycle.",
    ),
    "wheel_torque_nm": _channel(
        "Torque at the wheel, referred to the shaft that the layout names.",
        "N·m",
        -400,
        3_000,
        "At the wheel's own shaft a large twin in low gear stays below 3000 N·m.",
    ),
    "lambda_wide": _channel(
        "Air-fuel ratio over the stoichiometric one, by wideband gauge; first cylinder or bank.",
        "1",
        0.4,
        20.0,
        "Below 0.4 no gauge reads; free air and saturated gauges read high and are kept, marked.",
    ),
    "lambda_wide_2": _channel(
        "The same, second cylinder or bank.", "1", 0.4, 20.0, "As for lambda_wide."
    ),
    "o2_narrow_v": _channel(
        "Voltage of a narrowband sensor: rich or lean of stoichiometric, nothing more.",
        "V",
        -0.5,
        2.0,
        "A zirconia cell gives 0 to 1 V, an offset one up to 1.8 V.",
    ),
    "throttle_pct": _channel(
        "Throttle opening.", "%", -5, 110, "Uncalibrated sensors run a little past both ends."
    ),
    "map_pressure_pa": _channel(
        "Absolute pressure in the intake.", "Pa", 5_000, 400_000, "From hard overrun to high boost."
    ),
    "intake_air_temp_k": _channel(
        "Temperature of the air that the engine breathes.", "K", 233, 423, "-40 to 150 °C."
    ),
    "coolant_temp_k": _channel("Coolant temperature.", "K", 233, 423, "-40 to 150 °C."),
    "oil_temp_k": _channel("Oil temperature.", "K", 233, 473, "-40 to 200 °C."),
    "ignition_advance_deg": _channel(
        "Ignition advance before top dead centre.", "°", -64, 64, "The range of an OBD reading."
    ),
    "injector_time_s": _channel(
        "Injector opening time.", "s", 0, 0.1, "Longer than two turns at idle is a unit error."
    ),
    "fuel_trim_short_pct": _channel(
        "Short-term fuel trim, positive adds fuel.", "%", -100, 100, "The range of an OBD reading."
    ),
    "fuel_trim_long_pct": _channel(
        "Long-term fuel trim, positive adds fuel.", "%", -100, 100, "The range of an OBD reading."
    ),
    "knock": _channel("Knock activity in the logger's own scale.", "", 0, 1e6, "Never negative."),
    "exhaust_co_pct": _channel(
        "Carbon monoxide in the dry exhaust, by volume.",
        "%",
        -0.5,
        21,
        "All the oxygen of the air as carbon monoxide would be less; a zero that is off.",
    ),
    "exhaust_co2_pct": _channel(
        "Carbon dioxide in the dry exhaust, by volume.",
        "%",
        -0.5,
        21,
        "All the oxygen of the air as carbon dioxide is 21 %; a zero that is off.",
    ),
    "exhaust_o2_pct": _channel(
        "Oxygen in the dry exhaust, by volume.", "%", -0.5, 22, "Free air, and a zero that is off."
    ),
    "exhaust_hc_ppm": _channel(
        "Hydrocarbons in the dry exhaust, as hexane, by volume.",
        "ppm",
        -100,
        100_000,
        "A tenth of the exhaust: no cylinder fires there; a zero that is off.",
    ),
    "gear": _channel("Gear engaged, 0 for neutral.", "", 0, 8, "Motorcycles have up to 7 gears."),
    "battery_v": _channel("Battery voltage.", "V", 0, 80, "Up to a 72 V system."),
    "ambient_temp_k": _channel("Air temperature in the room.", "K", 233, 333, "-40 to 60 °C."),
    "ambient_pressure_pa": _channel(
        "Air pressure in the room, not reduced to sea level.",
        "Pa",
        60_000,
        108_000,
        "From 4000 m of altitude to the highest pressure ever met at sea level.",
    ),
    "ambient_humidity_pct": _channel("Relative humidity.", "%", 0, 100, "By definition."),
}
"""The canonical channels: what a layout may map a file's column to (without the unit's ending)."""


def _text(meaning: str) -> Column:
    return Column(meaning)


COLUMNS: dict[str, Column] = {
    **CHANNELS,
    # What came in
    "file_sha256": _text("SHA-256 of the file's bytes, the name under which the archive keeps it."),
    "size_bytes": Column("Size of the file.", "B"),
    "job_folder": _text("Folder in the inbox, one a job."),
    "file_name": _text("Name of the file in its folder."),
    "arrival_no": Column("Running number of the first arrival, as written down in the archive."),
    "last_no": Column("Running number of the latest arrival of the same bytes and name."),
    "modified_ns": Column("When the file was last written, as its disk says.", "ns"),
    "received_at": _text("When intake first saw these bytes under this name, UTC."),
    "is_current": _text("These bytes are the ones that stand there now."),
    "entry_text": _text("A line of the ledger of arrivals, letter for letter."),
    "is_present": _text("The file still lies in the inbox under this name."),
    "card_text": _text("The job card, letter for letter."),
    "problems": _text("What is wrong with the card, a line each; empty when it is right."),
    "flow_name": _text("Name of a flow."),
    "linked_from": _text("Fingerprint of the card and files that a folder was linked from."),
    "is_in_force": _text("This is the card that the figures follow."),
    "sample_id": _text(
        "Key of the samples read from one file, from its bytes and how it was read."
    ),
    "state": _text("Where a file or a verdict stands."),
    "layout": _text("Name of the layout that recognised the file."),
    "files": Column("Files that were looked at: the last ten of a layout, or fewer."),
    "gap_kind": _text("head entry, or column: what the layout asks for in vain."),
    "entry": _text("Key of the head entry, or name of the column, as the layout writes it."),
    "last_received_at": _text("When the latest file of it came, UTC."),
    "layout_kind": _text("What the layout reads: pull or ride."),
    "equipment": _text("Which equipment made the numbers."),
    "read_with": _text("Fingerprint of layout, rules and code that read the file."),
    "recognised_with": _text("Fingerprint of the layouts and names that its layout was told by."),
    "reason_code": _text("The reason in one fixed word, for sorting."),
    "reason": _text("The reason in plain words."),
    "remedy": _text("What a person can do about it."),
    "rows_read": Column("Rows in the file."),
    "rows_kept": Column("Rows that met the contract."),
    "rows_rejected": Column("Rows that broke a rule and are kept aside with it."),
    "facts": _text("What the file's own head says: air, factor, start, gear (JSON)."),
    "sample_path": _text("Parquet file that holds the samples, inside the shop's folder."),
    "line_no": Column("Line in the source file, the first line is 1."),
    "column_name": _text("Column as the source names it."),
    "rule": _text("The rule that the row broke, as a statement that should hold."),
    "found": _text("What stood there."),
    # The shop's facts
    "model_id": _text("Model: make, name, generation and displacement."),
    "make": _text("Who makes the motorcycle."),
    "model": _text("Model name."),
    "first_year": Column("First model year of the generation."),
    "last_year": Column("Last model year of the generation."),
    "displacement_cc": Column("Engine displacement.", "cm³"),
    "cylinders": Column("Number of cylinders."),
    "induction": _text("natural, or forced (turbo, supercharger)."),
    "bike_id": _text("The shop's own reference of the bike."),
    "model_year": Column("Model year of this bike."),
    "is_control": _text("The bike that is run unchanged again and again to watch the dyno."),
    "job_id": _text("The shop's own reference of the job."),
    "received_on": _text("Day the job was taken in."),
    "card_sha256": _text("The card in force, by the bytes it was received as."),
    "build_id": _text("Key of a set of parts, map and fuel."),
    "map_name": _text("ECU calibration: stock, or the shop's name of it."),
    "map_revision": Column("Revision of the shop's map."),
    "map_from": Column("Revision that this one was made from."),
    "map_label": _text("Map and revision in one word."),
    "fuel": _text("Fuel in the tank, as the card says."),
    "ethanol_share": Column("Ethanol in the fuel, by volume.", "1"),
    "parts_key": _text("Categories of the fitted parts, the key under which builds are pooled."),
    "parts_label": _text("The fitted parts with maker and name."),
    "category": _text("Category of a part."),
    "maker": _text("Who makes the part."),
    "part_name": _text("Name of the part."),
    "stage_id": _text("Key of a stage: job and number."),
    "stage_no": Column("Number of the stage in its job, from 1."),
    "stage_name": _text("What the card calls the stage."),
    "mounting": _text("Stages with one mounting were run without taking the bike off the dyno."),
    "tyre": _text("Tyre on the driven wheel, as the card says."),
    "dyno": _text("The dyno the stage was run on."),
    "target_lambda": Column("Full-throttle target of this stage; null: the shop's own."),
    "suggestion_entered": _text(
        "The fuel change suggested for the stage before was entered as it stood."
    ),
    "model_label": _text("Model in words."),
    "previous_label": _text("The calendar quarter before; null in the first."),
    "quarter_label": _text("Calendar quarter of the day the job was taken in."),
    # Pulls and sessions
    "pull_id": _text("Key of a pull, from its file's bytes."),
    "earlier_pull_id": _text("Key of the pull that is the same run and arrived first."),
    "is_counted": _text("This file is the one that counts; others only repeat it."),
    "pull_no": Column("Order of the pull within its stage, from 1."),
    "started_at": _text("When the log began, by the equipment's own clock (local time)."),
    "power_state": _text(
        "Whether power is as observed, already corrected, or worked out from the roller."
    ),
    "file_standard": _text("Standard that the file's power was corrected to."),
    "file_factor": Column("Correction factor that the file states.", "1"),
    "undone_factor": Column("Factor that was taken out of the file's power.", "1"),
    "factor_disagreement_pct": Column(
        "The file's factor against the one recomputed from its own air.", "%"
    ),
    "reference_air": _text("Standard whose reference air the power is shown at."),
    "reference_factor": Column("Factor that brings observed power to the reference air.", "1"),
    "reference_factor_sd": Column(
        "Standard uncertainty of that factor from the instruments, relative.", "1"
    ),
    "air_density_kg_m3": Column("Density of the moist air in the room.", "kg/m³"),
    "coolant_start_k": Column("Coolant temperature as the sweep begins.", "K"),
    "intake_air_start_k": Column("Intake air temperature as the sweep begins.", "K"),
    "probe_place": _text("Where the mixture probe sits."),
    "probe_delay_s": Column("Transport delay of the probe that was taken out.", "s"),
    "file_gear": Column("Gear, as the file says."),
    "has_lambda": _text("A wideband gauge saw this pull."),
    "is_used": _text("The pull counts in its session."),
    "trouble": _text("Why it does not count; empty when it does."),
    "notes": _text("What else should be known, in plain words."),
    "made_from": _text("Fingerprint of everything this row was made from."),
    "peak_power_w": Column("Greatest power on the curve, at the reference air.", "W"),
    "peak_power_speed_rpm": Column("Engine speed there.", "rpm"),
    "peak_power_mid_w": Column(
        "Peak power of this pull with the lift of the noise taken out, at the reference air.", "W"
    ),
    "peak_power_lower_w": Column("Lower end of its 95 % interval.", "W"),
    "peak_power_upper_w": Column("Upper end of its 95 % interval.", "W"),
    "peak_torque_nm": Column("Greatest torque, referred to engine speed.", "N·m"),
    "peak_torque_speed_rpm": Column("Engine speed there.", "rpm"),
    "ratio_kind": _text("What the ratio does over the sweep: constant, slip, gear change, ..."),
    "engine_roller_ratio": Column(
        "Engine speed over roller speed, one over the whole sweep.", "rpm/(m/s)"
    ),
    "sweep_from_rpm": Column("Engine speed where the sweep begins.", "rpm"),
    "sweep_to_rpm": Column("Engine speed where it ends.", "rpm"),
    "sweep_s": Column("Duration of the sweep.", "s"),
    "sweep_end": _text(
        "What ended the sweep: limit (the throttle stays open and the speed is held), throttle "
        "shut, speed falls, record ends; unknown without a clock."
    ),
    "is_peak_at_end": _text(
        "The power still rose where the sweep ended, and no limiter ended it: its greatest power "
        "need not be the engine's."
    ),
    "is_peak_reached": _text(
        "At least one pull passed its greatest power, or a limiter ended it: the session's peak is "
        "the engine's."
    ),
    "kept_ride_id": _text("The ride that counts in its place."),
    "missing_speed_share": Column(
        "Share of the speeds of the session's other pulls that a pull broken off does not reach.",
        "1",
    ),
    "power_w": Column("Power at the wheel, at the reference air.", "W"),
    "power_sd_w": Column("Standard error of the smoothed power within one pull.", "W"),
    "torque_nm": Column("Torque referred to engine speed, at the reference air.", "N·m"),
    "odd": _text("Why the pull does not belong with the others; empty when it does."),
    "run_on": _text("Day the session was run."),
    "logs": Column("Logs of the model that show their gears."),
    "pulls": Column("Pulls in the stage."),
    "pulls_used": Column("Pulls that count."),
    "repeatability_share": Column("1 SD of a pull's level, back to back.", "1"),
    "repeatability_dof": Column("Degrees of freedom behind it."),
    "repeatability_origin": _text("Whether it is the shop's own or the stated default."),
    "drift_pct_per_pull": Column("Trend of the level over the order of the pulls.", "%"),
    "drift_lower_pct_per_pull": Column("Lower end of its 95 % interval.", "%"),
    "drift_upper_pct_per_pull": Column("Upper end of its 95 % interval.", "%"),
    "heat_soak": _text("What the trend over the pulls says beside the temperatures."),
    "is_settled": _text("The last two pulls agree within the repeatability limit."),
    "settled_after_pull": Column("Pull from which on each agrees with the one before."),
    "is_corrected": _text("Power is at the reference air; false for forced induction."),
    "has_air_doubt": _text("The weather behind the correction is in doubt."),
    "remount_share": Column("1 SD of taking a bike off and strapping it down again.", "1"),
    "remount_dof": Column("Degrees of freedom behind remount_share.", "1"),
    "from_peak_speed_share": Column("Start of the region, in speeds at peak power.", "1"),
    "to_peak_speed_share": Column("End of the region, in speeds at peak power.", "1"),
    "remount_pairs": Column("Unchanged repeats behind it."),
    "remount_origin": _text("Whether it is the shop's own or the stated default."),
    # Gain
    "gain_id": _text("Key of a comparison: before stage and after stage."),
    "before_stage_id": _text("Stage compared against."),
    "after_stage_id": _text("Stage compared."),
    "again_stage_id": _text(
        "Stage that put the bike back as it was; its sessions count as before."
    ),
    "basis": _text("previous stage, first stage of the job, or the bike's earlier job."),
    "change_kind": _text("parts only, map only, parts and map, fuel, or nothing."),
    "change_key": _text("The change by category, the key under which it is pooled."),
    "change_label": _text("The change in full words."),
    "is_like_for_like": _text("Same fuel, gear, dyno, tyre and trusted air on both sides."),
    "unlike_reason": _text("What was not the same."),
    "is_pooled": _text("The comparison counts in pooled effects."),
    "pulls_before": Column("Pulls that count before."),
    "pulls_after": Column("Pulls that count after."),
    "pulls_again": Column("Pulls that count after the bike was put back."),
    "drift_pct": Column("Change of the mean from before to put back, taken out of the gain.", "%"),
    "drift_lower_pct": Column("Lower end of its 95 % interval.", "%"),
    "drift_upper_pct": Column("Upper end of its 95 % interval.", "%"),
    "riding_from_rpm": Column(
        "Riding range: 40 % of the before-curve's speed at peak power.", "rpm"
    ),
    "riding_to_rpm": Column("Riding range: the before-curve's last speed.", "rpm"),
    "mean_gain_pct": Column("Mean gain over the riding range.", "%"),
    "mean_gain_lower_pct": Column("Lower end of its 95 % interval.", "%"),
    "mean_gain_upper_pct": Column("Upper end of its 95 % interval.", "%"),
    "peak_gain_pct": Column("Peak power after against peak power before.", "%"),
    "peak_gain_lower_pct": Column("Lower end of its 95 % interval.", "%"),
    "peak_gain_upper_pct": Column("Upper end of its 95 % interval.", "%"),
    "peak_gain_w": Column("Peak power after less peak power before.", "W"),
    "gain_at_peak_pct": Column("Gain at the speed of the before-peak.", "%"),
    "gain_at_peak_w": Column("The same in power.", "W"),
    "greatest_gain_pct": Column("Greatest gain at any speed of the riding range.", "%"),
    "greatest_gain_speed_rpm": Column("Engine speed there.", "rpm"),
    "greatest_loss_pct": Column("Greatest loss at any speed of the riding range.", "%"),
    "greatest_loss_speed_rpm": Column("Engine speed there.", "rpm"),
    "over_rev_rpm": Column(
        "Speed added beyond the before-curve that still holds 90 % of the after-peak.", "rpm"
    ),
    "is_put_back": Column("Whether the bike is put back as it was and pulled again (A-B-A)."),
    "is_strapped_once": Column("Whether the bike stays strapped down throughout."),
    "floor_pct": Column("Gain that even endless pulls would not see, four times in five.", "%"),
    "smallest_detectable_pct": Column(
        "Smallest true difference that this comparison would have shown four times in five.", "%"
    ),
    "air_state": _text(
        "What both sides are held against each other at: reference (the reference air), observed "
        "(forced induction, weather known), one side, or none (no weather)."
    ),
    "verdict": _text(
        "real gain, real loss, within noise, not comparable (air on one side only) or cannot be "
        "told: no air; over the riding range."
    ),
    "verdict_at_peak": _text("The same, peak against peak; or cannot be told: peak not reached."),
    "log_mean_gain": Column("Natural logarithm of the power ratio, mean over the riding range."),
    "log_mean_gain_sd": Column("Its standard error."),
    "log_peak_gain": Column("Natural logarithm of the ratio of peaks."),
    "log_peak_gain_sd": Column("Its standard error."),
    "before_w": Column("Power before.", "W"),
    "after_w": Column("Power after.", "W"),
    "gain_pct": Column("Gain.", "%"),
    "gain_sd_pct": Column("Standard error of the gain.", "%"),
    "lower_pct": Column("Lower end of the 95 % interval.", "%"),
    "upper_pct": Column("Upper end of the 95 % interval.", "%"),
    "whole_lower_pct": Column(
        "Lower edge of the band that holds for the whole curve at once.", "%"
    ),
    "whole_upper_pct": Column("Upper edge of that band.", "%"),
    # Mixture
    "lambda_target": Column("Target of the full-throttle mixture."),
    "lean_error_pct": Column("100·(lambda/target − 1): positive is lean.", "%"),
    "level": _text("none, notice, warn or stop."),
    "worst_lean_error_pct": Column("Worst lean error held over the least width.", "%"),
    "worst_speed_rpm": Column("Engine speed there.", "rpm"),
    "torque_weighted_error_pct": Column("Mean lean error, weighted by torque.", "%"),
    "is_near_peak_torque": _text("Within 500 rpm of peak torque, where knock bites."),
    "side": _text("lean or rich."),
    "from_rpm": Column("Engine speed where the window or region begins.", "rpm"),
    "to_rpm": Column("Engine speed where it ends.", "rpm"),
    "worst_error_pct": Column("Greatest distance from the target, positive lean.", "%"),
    "ride_id": _text("Key of a ride, from its file's bytes."),
    "duration_s": Column("Length of the log.", "s"),
    "steady_s": Column("Time that counts as steady evidence.", "s"),
    "in_band_share": Column("Share of steady time within the cruise band.", "1"),
    "delay_s": Column("Delay of the mixture that was taken out.", "s"),
    "delay_origin": _text("Estimated from the log, or the layout's value."),
    "exclusion_reason": _text("Why this time is not evidence."),
    "excluded_s": Column("Time left out for this reason.", "s"),
    "elapsed_s": Column("Time since the sweep began.", "s"),
    "coolant_end_k": Column("Coolant temperature as the sweep ends.", "K"),
    "oil_start_k": Column("Oil temperature as the sweep begins.", "K"),
    "oil_end_k": Column("Oil temperature as the sweep ends.", "K"),
    "lean_error_se_pct": Column("Standard error of the lean error by the pulls' scatter.", "%"),
    "lean_error_lower_pct": Column("Lower end of its 95 % interval, gauge included.", "%"),
    "lean_error_upper_pct": Column("Upper end of its 95 % interval, gauge included.", "%"),
    "worst_lower_pct": Column("Lower end of the worst error's 95 % interval.", "%"),
    "worst_upper_pct": Column("Upper end of the worst error's 95 % interval.", "%"),
    "pulls_seen": Column("Pulls that saw the window."),
    "pulls_showing": Column("Pulls whose own error passes notice level there."),
    "peak_torque_distance_rpm": Column(
        "From the speed of peak torque to the window's near edge; 0 where it holds the peak.", "rpm"
    ),
    "knock_inside": Column("Knock activity in the window, mean over the pulls."),
    "knock_beside": Column("What the line through the speeds beside the window gives there."),
    "knock_ratio": Column("Knock in the window over that beside it."),
    "knock_ratio_lower": Column("Lower end of its 95 % interval."),
    "knock_ratio_upper": Column("Upper end of its 95 % interval."),
    "ignition_retard_deg": Column("Ignition later than the line beside the window.", "°"),
    "retard_lower_deg": Column("Lower end of its 95 % interval.", "°"),
    "retard_upper_deg": Column("Upper end of its 95 % interval.", "°"),
    "map_id": _text("Key of a map revision on a model."),
    "parts_seen": _text("Sets of parts that were fitted under this map."),
    "mean_size_pct": Column("Mean size of the full-throttle error over the bikes.", "%"),
    "mean_error_pct": Column("Lean error, mean over the bikes.", "%"),
    "cruise_error_pct": Column("Part-throttle lean error, mean over the bikes.", "%"),
    "cruise_size_pct": Column("Its mean size.", "%"),
    "is_missing": _text("The mean over the bikes misses the target somewhere."),
    "size_change_pct": Column(
        "Mean size of error less that of the revision before, in points: below 0 is better.", "%"
    ),
    "size_change_lower_pct": Column("Lower end of its 95 % interval.", "%"),
    "size_change_upper_pct": Column("Upper end of its 95 % interval.", "%"),
    "map_rank": Column(
        "Order in which maps are shown: those that miss, newest, furthest off first."
    ),
    "is_newest": _text("No later revision of the map has been on a bike."),
    "is_paired": _text("The same bikes had both."),
    "least_error_pct": Column("Least size of the mean error in the range.", "%"),
    "most_error_pct": Column("Greatest size of the mean error in the range.", "%"),
    "bikes_missing": Column("Bikes whose own mean in the range misses as far."),
    "expected_id": _text("Key of an expected mixture: model, parts and map."),
    "expected_error_pct": Column("Lean error to expect of the next bike, on average.", "%"),
    "other_bikes": Column("Bikes of other models on the same parts that lend to it."),
    "worst_from_rpm": Column("Where the leanest range to be expected begins.", "rpm"),
    "worst_to_rpm": Column("Where it ends.", "rpm"),
    "cells_told": Column("Breakpoints for which a change is suggested."),
    "cells_held": Column("Those of them that a limit holds."),
    "cells_of_map": Column("Breakpoints of the map."),
    "part_throttle_readings": Column("Open-loop cells of rides that count."),
    "trim_readings": Column("Closed-loop cells whose trims count."),
    "full_throttle_readings": Column("Speeds of the full-throttle curve that count."),
    "earlier_rounds": Column("Rounds of this job whose suggestion is in the map, and counts."),
    "throttle_axis": _text("Throttle breakpoints of the map in percent, as a list."),
    "speed_axis": _text("Speed breakpoints of the map in rpm, as a list."),
    "axes_origin": _text("Whether the breakpoints are the map's own, or standard ones."),
    "most_change_pct": Column("Greatest change of fuel that is needed.", "%"),
    "most_change_throttle_pct": Column("Throttle there.", "%"),
    "most_change_speed_rpm": Column("Engine speed there.", "rpm"),
    "most_enrichment_pct": Column("Most fuel that a round may add to a cell.", "%"),
    "most_enleanment_pct": Column("Most fuel that a round may take from a cell.", "%"),
    "round_note": _text("Why the suggestion before is not counted although it was entered."),
    "seam_pct": Column("Half of the greatest fuel added beside an unseen cell.", "%"),
    "shape_sd_pct": Column("How far the need strays about the map's level, 1 SD.", "%"),
    "shape_throttle_length": Column("Correlation length along ln(1 + throttle / 5 %)."),
    "shape_speed_length_rpm": Column("Correlation length along engine speed.", "rpm"),
    "shape_nugget_pct": Column("Scatter of readings beyond their standard error, 1 SD.", "%"),
    "speed_rpm": Column("Engine speed of the breakpoint.", "rpm"),
    "needed_pct": Column("Fuel change that the evidence asks for, before limits.", "%"),
    "suggested_pct": Column("Fuel change to enter in this round, within all limits.", "%"),
    "evidence_share": Column("Share of what could be unknown there that readings tell.", "1"),
    "held_by": _text("Limit that moved the suggestion: step, total, guard or slope; else empty."),
    "is_guarded": _text("The cell feeds full throttle or a lean window."),
    "is_suggestion": _text("The card says that the suggestion was entered as it stood."),
    "places": Column("Cells and speeds seen both before and after."),
    "before_error_pct": Column("Mean size of the mixture error before.", "%"),
    "after_error_pct": Column("Mean size of the mixture error after.", "%"),
    "removed_share": Column("Share of the error that is gone; below 0 where it grew.", "1"),
    "removed_lower_share": Column("Lower end of its 95 % interval.", "1"),
    "removed_upper_share": Column("Upper end of its 95 % interval.", "1"),
    "part_removed_share": Column("The same, part throttle alone.", "1"),
    "full_removed_share": Column("The same, full throttle alone.", "1"),
    "came_share": Column("Share of the entered fuel that shows in the mixture.", "1"),
    "closed_loop_s": Column("Time in which the ECU held lambda 1 by itself.", "s"),
    "is_closed_loop": _text("The ECU held lambda 1 by itself: the trims tell of the map there."),
    "lambda_from": _text(
        "wideband; exhaust gas, by its oxygen balance; narrowband, in closed loop only; else empty."
    ),
    "delay_lower_s": Column("Lower end of its 95 % interval.", "s"),
    "delay_upper_s": Column("Upper end of its 95 % interval.", "s"),
    "probe_lag_s": Column("Time constant of the probe within that delay.", "s"),
    "probe_moves": Column("Throttle movements that told of the delay."),
    "throttle_mean_pct": Column("Time-weighted mean throttle of the samples in the cell.", "%"),
    "speed_mean_rpm": Column("Time-weighted mean engine speed of the samples in the cell.", "rpm"),
    "pressure_from_pa": Column("Lower edge of the cell, manifold pressure.", "Pa"),
    "pressure_to_pa": Column("Upper edge of the cell, manifold pressure.", "Pa"),
    "pressure_mean_pa": Column("Time-weighted mean pressure of the samples in the cell.", "Pa"),
    "lambda_se": Column("Standard error of the median, autocorrelation counted, gauge left out."),
    "lambda_lower": Column("Lower end of the median's 95 % interval, gauge included."),
    "lambda_upper": Column("Upper end of the median's 95 % interval, gauge included."),
    "effective_samples": Column("Independent samples that would say as much."),
    "target_low": Column("Lowest lambda wanted there."),
    "target_high": Column("Highest lambda wanted there."),
    "trim_pct": Column("Fuel that both trims add, median: what the base map lacks there.", "%"),
    "trim_se_pct": Column("Standard error of that median.", "%"),
    "trim_lower_pct": Column("Lower end of its 95 % interval.", "%"),
    "trim_upper_pct": Column("Upper end of its 95 % interval.", "%"),
    "long_trim_pct": Column("Fuel that the long-term trim alone adds, median.", "%"),
    "outside_air_most_pct": Column(
        "Most by which outside air makes a tailpipe probe read lean there; 0 in other places.", "%"
    ),
    "covered_share": Column("Share of the riding cells that were seen for 2 s or more.", "1"),
    "tip_ins": Column("Quick openings of the throttle that could be judged."),
    "lean_tip_ins": Column("Those whose lean excursion reached warn level."),
    "lift_offs": Column("Quick closings of the throttle that could be judged."),
    "rich_lift_offs": Column("Those whose rich excursion reached warn level."),
    "transient_no": Column("Order of the movement within its ride."),
    "kind": _text("tip-in: the throttle opens quickly. lift-off: it closes quickly."),
    "outcome": _text("Why a movement was not judged; empty when it was."),
    "start_s": Column("When the movement began, on the log's clock.", "s"),
    "end_s": Column("When it ended.", "s"),
    "throttle_before_pct": Column("Opening before the movement.", "%"),
    "throttle_after_pct": Column("Opening after it.", "%"),
    "depth_pct": Column("Greatest excursion of the mixture, lean positive.", "%"),
    "excursion_s": Column("Time for which the excursion was beyond notice level.", "s"),
    "cruise_s": Column("Steady, warm time behind the temperatures.", "s"),
    "coolant_cruise_k": Column("Coolant at a steady cruise, median.", "K"),
    "coolant_most_k": Column("Coolant at its hottest.", "K"),
    "oil_cruise_k": Column("Oil at a steady cruise, median.", "K"),
    "oil_most_k": Column("Oil at its hottest.", "K"),
    "intake_cruise_k": Column("Air in the intake at a steady cruise, median.", "K"),
    "throttle_from_pct": Column("Lower edge of the cell.", "%"),
    "throttle_to_pct": Column("Upper edge of the cell.", "%"),
    "speed_from_rpm": Column("Lower edge of the cell.", "rpm"),
    "speed_to_rpm": Column("Upper edge of the cell.", "rpm"),
    "lambda_median": Column("Time-weighted median of lambda."),
    "lambda_spread": Column("Robust spread of lambda (1.4826 × median absolute deviation)."),
    "dwell_s": Column("Steady time spent in the cell.", "s"),
    "hits": Column("Steady samples in the cell."),
    "rides": Column("Rides behind the figure."),
    "cells": Column("Cells visited."),
    "worst_throttle_pct": Column("Throttle of the leanest cell, its middle.", "%"),
    # Across bikes
    "effect_id": _text("Key of a pooled effect."),
    "scope": _text("one model, or all models."),
    "figure": _text("Which figure this is."),
    "bikes": Column("Bikes behind the figure; several jobs of one bike count once."),
    "jobs": Column("Jobs behind the figure."),
    "own_mean_pct": Column("Mean over these bikes alone.", "%"),
    "own_lower_pct": Column("Lower end of its 95 % interval.", "%"),
    "own_upper_pct": Column("Upper end of its 95 % interval.", "%"),
    "mean_pct": Column("Mean, after borrowing from other models where bikes are few.", "%"),
    "next_lower_pct": Column("What the next bike will see, lower end of 95 %.", "%"),
    "next_upper_pct": Column("What the next bike will see, upper end of 95 %.", "%"),
    "between_bikes_sd_pct": Column("1 SD of the true effect from bike to bike.", "%"),
    "i2_share": Column("Share of the scatter that is real difference between bikes.", "1"),
    "borrowed_share": Column("How much of the mean is borrowed from other models.", "1"),
    "sentence": _text("The figure in one sentence."),
    "need_id": _text("Key of a remap need."),
    "is_stock_map": _text("The map is the untouched one."),
    "lean_bikes": Column("Bikes with a warn-level lean window."),
    "warn_share": Column("Chance that a bike so built shows a warn-level lean window.", "1"),
    "warn_lower_share": Column("The chance is above this with 95 % confidence.", "1"),
    "warn_upper_share": Column("The chance is below this with 95 % confidence.", "1"),
    "worst_error_lower_pct": Column("Lower end of its 95 % interval.", "%"),
    "worst_error_upper_pct": Column("Upper end of its 95 % interval.", "%"),
    "worst_speed_from_rpm": Column("Lowest speed at which these bikes were worst.", "rpm"),
    "worst_speed_to_rpm": Column("Highest speed at which these bikes were worst.", "rpm"),
    "cruise_bikes": Column("Bikes with a ride on this build."),
    "cruise_out_share": Column("Share of steady cruising time outside the cruise band.", "1"),
    "given_back_bikes": Column("Bikes whose remap on these parts was measured."),
    "given_back_pct": Column("Power that the remap gave, mean over the riding range.", "%"),
    "given_back_lower_pct": Column("What the next bike will see, lower end of 95 %.", "%"),
    "given_back_upper_pct": Column("What the next bike will see, upper end of 95 %.", "%"),
    "need_rank": Column("Rank, 1 is the surest need."),
    "likeness_rank": Column("Rank, 1 is the most alike."),
    "other_stage_id": _text("Stage of the other bike."),
    "other_job_id": _text("Job of the other bike."),
    "other_bike_id": _text("The other bike."),
    "similarity_share": Column("1 is the same in everything known of both.", "1"),
    "matches": _text("What is the same."),
    "differs": _text("What is not."),
    "ended_on": _text("The map that the other job ended on."),
    "gained": _text("What the other job gained."),
    "went_wrong": _text("What went wrong there."),
    # Health against siblings
    "power_health": _text("low, high, low and high, another shape, as its siblings, not compared."),
    "mixture_health": _text("leaner, richer, richer and leaner, as its siblings, not compared."),
    "siblings": Column("Other bikes of the model whose baselines count for power."),
    "mixture_siblings": Column("Other bikes of the model whose baselines count for mixture."),
    "peak_change_pct": Column("Peak power against the siblings' median.", "%"),
    "peak_z": Column("Robust z of that: distance over the standard error of a further bike."),
    "shape_distance_pct": Column(
        "Root mean square of the difference from the siblings' median, level taken out.", "%"
    ),
    "shape_z": Column("Robust z of that, on the ln scale; only far away counts."),
    "lean_change_pct": Column("Lean error against the siblings' median, in points.", "%"),
    "lean_z": Column("Robust z of that."),
    "power_reason": _text("Why power cannot be compared; empty when it was."),
    "mixture_reason": _text("Why the mixture cannot be compared; empty when it was."),
    "further": _text("What else is to be said, in sentences."),
    "quantity": _text(
        "power, mixture, or shape: power where only the shape of the curve stands out."
    ),
    "reaches_top": _text("The region goes on to the highest speed that could be compared."),
    "change_pct": Column(
        "Mean difference from the siblings' median: % of power, points of lean error.", "%"
    ),
    "region_z": Column("Robust z where it is furthest from 0; for a shape, of all of it."),
    "is_power_sibling": _text("This bike counts when power is compared."),
    "is_mixture_sibling": _text("This bike counts when the mixture is compared."),
    "left_out": _text("Why it does not count, or not in both; empty when it does."),
    "usual_power_w": Column("Median of the siblings' power.", "W"),
    "usual_power_lower_w": Column("A quarter of the siblings lie below this.", "W"),
    "usual_power_upper_w": Column("A quarter of the siblings lie above this.", "W"),
    "usual_lean_error_pct": Column("Median of the siblings' lean error.", "%"),
    "usual_lean_error_lower_pct": Column("A quarter of the siblings lie below this.", "%"),
    "usual_lean_error_upper_pct": Column("A quarter of the siblings lie above this.", "%"),
    # The dyno and the quarter
    "level_pct": Column("Mean power against the reference: its session, or the first period.", "%"),
    "individual_centre_pct": Column("Centre line of the chart of individuals.", "%"),
    "individual_lower_pct": Column("Its lower limit.", "%"),
    "individual_upper_pct": Column("Its upper limit.", "%"),
    "ewma_pct": Column("Exponentially weighted moving average.", "%"),
    "ewma_lower_pct": Column("Its lower limit.", "%"),
    "ewma_upper_pct": Column("Its upper limit.", "%"),
    "cusum_high_pct": Column("Departures above the level, summed up beyond the allowance.", "%"),
    "cusum_low_pct": Column("Departures below it, likewise.", "%"),
    "cusum_limit_pct": Column("A sum above it means that the level has changed.", "%"),
    "shift_pct": Column("Level of the stretch that the session belongs to.", "%"),
    "event_no": Column("Order of the events, latest first."),
    "event_kind": _text("shift, drift, odd day, weather, or correction."),
    "begins_after": _text("Last day on which it had not begun; empty when not known."),
    "first_on": _text("Day by which it had begun."),
    "last_on": _text("Last day on which it shows; empty while it lasts."),
    "event_pct": Column("Size of the event in power.", "%"),
    "event_sd_pct": Column("Standard error of that size.", "%"),
    "dyno_drift_sd": Column(
        "What the event adds to the uncertainty of a comparison across it, 1 SD on ln power.", "1"
    ),
    "dyno_event": _text("The event by dyno, kind and day."),
    "in_event_share": Column("How surely the session stands in the event; 1 is surely.", "1"),
    "sessions_affected": Column("Sessions run while it lasted."),
    "is_reference": _text("The session belongs to the reference period behind the limits."),
    "signal": _text("What the chart says of this session; empty when nothing."),
    "verdict_no": Column("Order of the sentences."),
    "subject": _text("What the sentence is about."),
    "figure_lower": Column("Lower end of the figure's interval."),
    "figure_upper": Column("Upper end of the figure's interval."),
    "figure_value": Column("Value of the figure."),
    "previous_value": Column("Value in the quarter before."),
    "previous_bikes": Column("Bikes in the quarter before."),
    "previous_mean_gain_pct": Column("Mean gain in the quarter before.", "%"),
    "earlier_job_id": _text("The job before."),
    "days_between": Column("Days from one to the other.", "d"),
    "fact": _text("Name of a setting."),
    "fact_value": _text("Its value."),
    "meaning": _text("What it means."),
    "table_name": _text("Table of the published snapshot."),
    "unit": _text("Unit of the column."),
}


def unit_of(name: str) -> str:
    """Return the unit that the ending of a column's name promises, "" if it promises none.

    >>> unit_of("roller_speed_m_s"), unit_of("probe_delay_s"), unit_of("gear")
    ('m/s', 's', '')
    """
    for suffix in sorted(UNIT_BY_SUFFIX, key=len, reverse=True):
        if name.endswith(suffix):
            return UNIT_BY_SUFFIX[suffix]
    return ""
