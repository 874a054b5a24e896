"""Callouts of findings, procedures, the patient and times; spoken commands; several callouts in one breath."""

from __future__ import annotations

from .callouts import Callout, Fields, did, drug, finding, milestone, patient, pressure, vital


def other_callouts() -> list[Callout]:
    """Every callout that is neither a single vital sign nor a single drug."""
    groups = {"findings": _findings(), "procedures": _procedures(), "patient": _patient(), "times": _times()}
    single = [Callout(group, say, (fields,)) for group, rows in groups.items() for say, fields in rows.items()]
    several = [Callout("breath", say, events) for say, events in _in_one_breath().items()]
    return [*single, *several, *_commands()]


def _findings() -> dict[str, Fields]:
    both = {"side": "both"}
    return {
        "patient is unresponsive": finding("responsiveness", level="unresponsive"),
        "patient is alert and oriented": finding("responsiveness", level="alert"),
        "responds to pain": finding("responsiveness", level="pain"),
        "responsive to voice": finding("responsiveness", level="verbal"),
        "g c s of thirteen": finding("glasgow_coma_scale", total=13),
        "glasgow coma scale fourteen": finding("glasgow_coma_scale", total=14),
        "g c s is three": finding("glasgow_coma_scale", total=3),
        "eyes two verbal four motor five": finding("glasgow_coma_scale", total=11, eye=2, verbal=4, motor=5),
        "pupils equal and reactive": finding("pupils", equal=True, reactive=True),
        "pupils pinpoint": finding("pupils", appearance="pinpoint"),
        "left pupil six right pupil three": finding("pupils", left_mm=6, right_mm=3),
        "breath sounds diminished on the right": finding("breath_sounds", sound="diminished", side="right"),
        "lungs clear on the left": finding("breath_sounds", sound="clear", side="left"),
        "breath sounds wheezing bilaterally": finding("breath_sounds", sound="wheezes", **both),
        "rales bilaterally": finding("breath_sounds", sound="crackles", **both),
        "skin is pale cool and diaphoretic": finding("skin", description="pale, cool, diaphoretic"),
        "skin warm and dry": finding("skin", description="warm, dry"),
        "sinus tach on the monitor": finding("cardiac_rhythm", description="sinus tachycardia"),
        "monitor shows v fib": finding("cardiac_rhythm", description="ventricular fibrillation"),
        "airway is patent": finding("airway", description="open"),
        "good chest rise": finding("general", description="chest rise"),
        "seizure has stopped at ten twenty": finding("general", description="seizure stopped", stated_time="10:20"),
    }


def _procedures() -> dict[str, Fields]:
    return {
        "bag valve mask ventilation started": did("bag_valve_mask_ventilation", "started"),
        "assisting ventilations": did("bag_valve_mask_ventilation", "started"),
        "ventilations stopped": did("bag_valve_mask_ventilation", "stopped"),
        "oral airway in place": did("oropharyngeal_airway"),
        "nasal airway in": did("nasopharyngeal_airway"),
        "supraglottic airway size four in place": did("supraglottic_airway"),
        "endotracheal tube in place": did("endotracheal_tube"),
        "oxygen fifteen liters by non rebreather": did("oxygen", "started", flow_lpm=15, device="non_rebreather_mask"),
        "oxygen four liters nasal cannula": did("oxygen", "started", flow_lpm=4, device="nasal_cannula"),
        "oxygen stopped": did("oxygen", "stopped"),
        "suction done": did("suction"),
        "c p r started": did("cardiopulmonary_resuscitation", "started"),
        "resuming compressions": did("cardiopulmonary_resuscitation", "resumed"),
        "shock at two hundred joules": did("defibrillation", energy_j=200),
        "shocked at one fifty joules": did("defibrillation", energy_j=150),
        "i v established right antecubital eighteen gauge": did(
            "intravenous_access", gauge=18, site="right antecubital"
        ),
        "twenty two gauge i v left hand": did("intravenous_access", gauge=22, site="left hand"),
        "i o placed left proximal tibia": did("intraosseous_access", site="left proximal tibia"),
        "twelve lead acquired": did("twelve_lead_ecg"),
        "cervical collar applied": did("immobilization"),
        "tourniquet applied left leg": did("tourniquet", site="left leg"),
    }


def _patient() -> dict[str, Fields]:
    year = {"age_unit": "year"}
    return {
        "fifty four year old male": patient(age=54, sex="male", **year),
        "patient is a nineteen year old woman": patient(age=19, sex="female", **year),
        "ninety year old female": patient(age=90, sex="female", **year),
        "six month old about seven kilos": patient(age=6, age_unit="month", weight_kg=7),
        "patient weighs eighty kilograms": patient(weight_kg=80),
        "estimated weight seventeen kilograms": patient(weight_kg=17),
        "chief complaint shortness of breath": patient(complaint="shortness of breath"),
        "complaining of chest pain": patient(complaint="chest pain"),
        "allergic to penicillin": patient(allergy="penicillin"),
        "no known allergies": patient(allergy="no known allergies"),
        "history of asthma": patient(history="asthma"),
    }


def _times() -> dict[str, Fields]:
    return {
        "en route": milestone("en_route"),
        "on scene at oh nine fifteen": milestone("on_scene", "09:15"),
        "on scene at fourteen fifty": milestone("on_scene", "14:50"),
        "patient contact": milestone("patient_contact"),
        "departing scene": milestone("departed_scene"),
        "left the scene at fourteen thirteen": milestone("departed_scene", "14:13"),
        "arrived at hospital": milestone("at_destination"),
        "transfer of care complete": milestone("transferred"),
    }


def _in_one_breath() -> dict[str, tuple[Fields, ...]]:
    return {
        "pulse eighty eight resps sixteen": (vital("heart_rate", 88), vital("respiratory_rate", 16)),
        "b p ninety over fifty heart rate one thirty": (pressure(90, 50), vital("heart_rate", 130)),
        "heart rate ninety six and respirations are eighteen": (
            vital("heart_rate", 96),
            vital("respiratory_rate", 18),
        ),
        "resps eight sats eighty four pinpoint pupils": (
            vital("respiratory_rate", 8),
            vital("oxygen_saturation", 84),
            finding("pupils", appearance="pinpoint"),
        ),
        "end tidal forty five heart rate one hundred": (vital("end_tidal_co2", 45), vital("heart_rate", 100)),
        "shock delivered resuming compressions": (
            did("defibrillation"),
            did("cardiopulmonary_resuscitation", "resumed"),
        ),
        "midazolam five milligrams i n seizure stopped": (
            drug("midazolam", "5 mg", "intranasal"),
            finding("general", description="seizure stopped"),
        ),
        "g c s fourteen pupils equal and reactive": (
            finding("glasgow_coma_scale", total=14),
            finding("pupils", equal=True, reactive=True),
        ),
        "temp thirty eight point two pulse one ten": (
            vital("temperature", "38.2", unit="Cel"),
            vital("heart_rate", 110),
        ),
        "patient unresponsive starting b v m": (
            finding("responsiveness", level="unresponsive"),
            did("bag_valve_mask_ventilation", "started"),
        ),
    }


def _commands() -> list[Callout]:
    def command(say: str, name: str, decision: str, before: str, *events: Fields) -> Callout:
        return Callout("commands", say, events, (name,), (decision,) if decision else (), before)

    epi, fentanyl = "epinephrine one milligram i v", "fentanyl fifteen micrograms i v"
    pulse, bp = "pulse eighty eight", "blood pressure one ten over ninety"
    fifty = drug("fentanyl", "50 ug", "intravenous")
    return [
        command("confirm", "confirm", "confirmed", epi),
        command("confirmed", "confirm", "confirmed", fentanyl),
        command("confirm that", "confirm", "confirmed", fentanyl),
        command("confirm epinephrine", "confirm", "confirmed", epi),
        command("confirm fentanyl", "confirm", "confirmed", fentanyl),
        command("correction pulse ninety", "correction", "amended", pulse, vital("heart_rate", 90)),
        command("make that eighty", "correction", "amended", pulse, vital("heart_rate", 80)),
        command("correction fifty micrograms", "correction", "amended", fentanyl, fifty),
        command("correction blood pressure one ten over seventy", "correction", "amended", bp, pressure(110, 70)),
        command("scratch that", "take_back", "rejected", pulse),
        command("strike that", "take_back", "rejected", epi),
        command("take back the last entry", "take_back", "rejected", bp),
        command("say again", "say_again", "", pulse),
        command("read that back", "say_again", "", bp),
        command("what is due", "what_is_due", "", epi),
    ]
