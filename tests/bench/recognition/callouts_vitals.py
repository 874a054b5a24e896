"""Callouts of vital signs, with the numbers that are easily taken for one another."""

from __future__ import annotations

from .callouts import Callout, Fields, pressure, vital


def vital_callouts() -> list[Callout]:
    """Every callout of vital signs."""
    return [Callout("vitals", say, (fields,)) for say, fields in (_pressures() | _rates() | _gases() | _rest()).items()]


def _pressures() -> dict[str, Fields]:
    return {
        "blood pressure one eighteen over seventy six": pressure(118, 76),
        "blood pressure one eighty over seventy": pressure(180, 70),
        "b p one thirteen over sixty": pressure(113, 60),
        "b p one thirty over sixty": pressure(130, 60),
        "pressure is one fifteen over fifty": pressure(115, 50),
        "pressure is one fifty over fifteen": pressure(150, 15),
        "b p ninety over fifty": pressure(90, 50),
        "pressure one ten over seventy": pressure(110, 70),
        "b p one oh five over sixty two": pressure(105, 62),
        "blood pressure is one hundred and forty over ninety": pressure(140, 90),
        "blood pressure two ten over one twenty": pressure(210, 120),
        "pressure is up to one thirty over eighty four": pressure(130, 84),
        "pressure down to eighty over forty": pressure(80, 40),
        "b p eighty four by palp": pressure(84, None),
        "blood pressure seventy over palp": pressure(70, None),
        "his pressure is ninety six over fifty eight": pressure(96, 58),
        "repeat pressure one twenty four over eighty": pressure(124, 80),
    }


def _rates() -> dict[str, Fields]:
    return {
        "heart rate one thirteen": vital("heart_rate", 113),
        "heart rate one thirty": vital("heart_rate", 130),
        "heart rate one sixteen": vital("heart_rate", 116),
        "heart rate one sixty": vital("heart_rate", 160),
        "pulse one fourteen": vital("heart_rate", 114),
        "pulse one forty": vital("heart_rate", 140),
        "pulse is eighteen": vital("heart_rate", 18),
        "pulse is eighty": vital("heart_rate", 80),
        "pulse is sixty four strong and regular": vital("heart_rate", 64, quality="strong", rhythm="regular"),
        "heart rate one oh two": vital("heart_rate", 102),
        "heart rate one hundred and eighteen": vital("heart_rate", 118),
        "pulse one twenty eight weak": vital("heart_rate", 128, quality="weak"),
        "pulse one ten irregular": vital("heart_rate", 110, rhythm="irregular"),
        "heart rate is now seventy": vital("heart_rate", 70),
        "heart rate dropped to forty two": vital("heart_rate", 42),
        "pulse rate seventy two": vital("heart_rate", 72),
        "heart rate sixty beats per minute": vital("heart_rate", 60),
        "heart rate fifty five": vital("heart_rate", 55),
        "resps fourteen": vital("respiratory_rate", 14),
        "resps forty": vital("respiratory_rate", 40),
        "respirations sixteen": vital("respiratory_rate", 16),
        "respirations sixty": vital("respiratory_rate", 60),
        "respiratory rate fifteen": vital("respiratory_rate", 15),
        "respiratory rate fifty": vital("respiratory_rate", 50),
        "respiratory rate is twenty eight labored": vital("respiratory_rate", 28, quality="labored"),
        "resps are six": vital("respiratory_rate", 6),
        "breathing at eight a minute": vital("respiratory_rate", 8),
        "respirations ten assisted": vital("respiratory_rate", 10, quality="assisted"),
        "resps down to nine": vital("respiratory_rate", 9),
    }


def _gases() -> dict[str, Fields]:
    air, oxygen = {"oxygen": "room_air"}, {"oxygen": "supplemental"}
    return {
        "sats ninety one on fifteen liters": vital("oxygen_saturation", 91, **oxygen),
        "oxygen saturation eighty eight percent on room air": vital("oxygen_saturation", 88, **air),
        "s p o two ninety four": vital("oxygen_saturation", 94),
        "pulse ox is ninety six percent": vital("oxygen_saturation", 96),
        "sats ninety nine": vital("oxygen_saturation", 99),
        "sats one hundred percent": vital("oxygen_saturation", 100),
        "sats dropped to seventy eight percent": vital("oxygen_saturation", 78),
        "room air sats eighty nine": vital("oxygen_saturation", 89, **air),
        "sats up to ninety five": vital("oxygen_saturation", 95),
        "satting ninety two on room air": vital("oxygen_saturation", 92, **air),
        "end tidal thirteen": vital("end_tidal_co2", 13),
        "end tidal thirty": vital("end_tidal_co2", 30),
        "end tidal nineteen": vital("end_tidal_co2", 19),
        "end tidal ninety": vital("end_tidal_co2", 90),
        "e t c o two forty five": vital("end_tidal_co2", 45),
        "end tidal c o two is thirty eight": vital("end_tidal_co2", 38),
        "end tidal eight millimeters of mercury": vital("end_tidal_co2", 8),
        "end tidal five point two kilopascals": vital("end_tidal_co2", "5.2", unit="kPa"),
    }


def _rest() -> dict[str, Fields]:
    return {
        "blood glucose ninety two": vital("blood_glucose", 92),
        "glucose one seventeen": vital("blood_glucose", 117),
        "glucose one seventy": vital("blood_glucose", 170),
        "blood sugar is three hundred and twelve": vital("blood_glucose", 312),
        "sugar of sixty eight": vital("blood_glucose", 68),
        "glucose is one oh four milligrams per deciliter": vital("blood_glucose", 104),
        "sugar five point six millimoles": vital("blood_glucose", "5.6", unit="mmol/L"),
        "blood sugar forty two": vital("blood_glucose", 42),
        "temperature thirty seven point four celsius": vital("temperature", "37.4", unit="Cel"),
        "temp one oh two point four": vital("temperature", "102.4", unit="[degF]"),
        "temperature ninety eight point six fahrenheit": vital("temperature", "98.6", unit="[degF]"),
        "temp is thirty eight point nine": vital("temperature", "38.9", unit="Cel"),
        "temperature thirty four degrees": vital("temperature", 34, unit="Cel"),
        "pain is six out of ten": vital("pain_score", 6),
        "pain score eight": vital("pain_score", 8),
        "pain ten out of ten": vital("pain_score", 10),
        "pain is down to three": vital("pain_score", 3),
        "pain now two": vital("pain_score", 2),
    }
