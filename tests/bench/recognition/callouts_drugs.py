"""Callouts of drugs: every route, doses that are easily taken for one another, names that look or sound alike."""

from __future__ import annotations

from .callouts import Callout, Fields, drug

IV, IM, IO, IN = "intravenous", "intramuscular", "intraosseous", "intranasal"
PO, SL, NEB, SQ = "oral", "sublingual", "nebulized", "subcutaneous"


def drug_callouts() -> list[Callout]:
    """Every callout of drugs."""
    rows = _arrest() | _pain_and_sedation() | _alike() | _medical() | _fluids() | _acts()
    return [Callout("drugs", say, (fields,)) for say, fields in rows.items()]


def _arrest() -> dict[str, Fields]:
    epi = "epinephrine"
    return {
        "epinephrine zero point three milligrams intramuscular left thigh": drug(epi, "0.3 mg", IM, site="left thigh"),
        "epi one milligram i v push": drug(epi, "1 mg", IV),
        "one milligram of epinephrine i o at ten forty five": drug(epi, "1 mg", IO, stated_time="10:45"),
        "epinephrine one milligram given i o": drug(epi, "1 mg", IO),
        "epinephrine zero point one five milligrams i m right thigh": drug(epi, "0.15 mg", IM, site="right thigh"),
        "second dose of epi one milligram i v": drug(epi, "1 mg", IV),
        "epinephrine five micrograms per minute i v": drug(epi, "5 ug/min", IV),
        "adrenaline point five milligrams intramuscular": drug(epi, "0.5 mg", IM),
        "amiodarone three hundred milligrams i v push": drug("amiodarone", "300 mg", IV),
        "amiodarone one hundred and fifty milligrams i o": drug("amiodarone", "150 mg", IO),
        "lidocaine one hundred milligrams i v": drug("lidocaine", "100 mg", IV),
        "atropine one milligram i v": drug("atropine", "1 mg", IV),
        "calcium chloride one gram i v": drug("calcium chloride", "1 g", IV),
        "sodium bicarbonate fifty milliequivalents i v": drug("sodium bicarbonate", "50 meq", IV),
        "adenosine six milligrams rapid i v push": drug("adenosine", "6 mg", IV),
        "adenosine twelve milligrams i v": drug("adenosine", "12 mg", IV),
        "vasopressin forty units i o": drug("vasopressin", "40 [U]", IO),
    }


def _pain_and_sedation() -> dict[str, Fields]:
    return {
        "fentanyl fifty micrograms intranasal": drug("fentanyl", "50 ug", IN),
        "fentanyl fifteen micrograms i v": drug("fentanyl", "15 ug", IV),
        "fentanyl one hundred micrograms i v": drug("fentanyl", "100 ug", IV),
        "fentanyl seventy five micrograms slow i v push": drug("fentanyl", "75 ug", IV),
        "morphine four milligrams i v": drug("morphine", "4 mg", IV),
        "morphine two point five milligrams i v": drug("morphine", "2.5 mg", IV),
        "ten milligrams of morphine i m": drug("morphine", "10 mg", IM),
        "ketamine two hundred milligrams i m": drug("ketamine", "200 mg", IM),
        "ketamine thirteen milligrams i v": drug("ketamine", "13 mg", IV),
        "ketamine thirty milligrams i v": drug("ketamine", "30 mg", IV),
        "ketamine twenty milligrams i v over ten minutes": drug("ketamine", "20 mg", IV),
        "midazolam ten milligrams i m": drug("midazolam", "10 mg", IM),
        "midazolam five milligrams intranasal": drug("midazolam", "5 mg", IN),
        "midazolam two point five milligrams i v": drug("midazolam", "2.5 mg", IV),
        "lorazepam two milligrams i v push": drug("lorazepam", "2 mg", IV),
        "diazepam ten milligrams rectally": drug("diazepam", "10 mg", "rectal"),
        "propofol fifty milligrams i v": drug("propofol", "50 mg", IV),
        "etomidate twenty milligrams i v": drug("etomidate", "20 mg", IV),
        "rocuronium one hundred milligrams i v": drug("rocuronium", "100 mg", IV),
        "succinylcholine one hundred milligrams i v": drug("succinylcholine", "100 mg", IV),
    }


def _alike() -> dict[str, Fields]:
    """Names of the look-alike, sound-alike lists (FDA and ISMP tall-man lists, check-values section 6.1)."""
    return {
        "dopamine five micrograms per kilogram per minute i v": drug("dopamine", "5 ug/kg/min", IV),
        "dobutamine five micrograms per kilogram per minute i v": drug("dobutamine", "5 ug/kg/min", IV),
        "hydromorphone one milligram i v": drug("hydromorphone", "1 mg", IV),
        "norepinephrine eight micrograms per minute i v": drug("norepinephrine", "8 ug/min", IV),
        "ephedrine five milligrams i v": drug("ephedrine", "5 mg", IV),
        "ketorolac thirty milligrams i v": drug("ketorolac", "30 mg", IV),
        "diphenhydramine fifty milligrams i v": drug("diphenhydramine", "50 mg", IV),
        "dimenhydrinate fifty milligrams i v": drug("dimenhydrinate", "50 mg", IV),
        "prednisone fifty milligrams p o": drug("prednisone", "50 mg", PO),
        "prednisolone fifty milligrams p o": drug("prednisolone", "50 mg", PO),
        "calcium gluconate two grams i v": drug("calcium gluconate", "2 g", IV),
        "sufentanil thirty micrograms sublingual": drug("sufentanil", "30 ug", SL),
    }


def _medical() -> dict[str, Fields]:
    return {
        "naloxone zero point four milligrams i v": drug("naloxone", "0.4 mg", IV),
        "naloxone two milligrams intranasal": drug("naloxone", "2 mg", IN),
        "naloxone four milligrams intranasal right nostril": drug("naloxone", "4 mg", IN, site="right nostril"),
        "aspirin three twenty four milligrams by mouth": drug("aspirin", "324 mg", PO),
        "aspirin eighty one milligrams oral": drug("aspirin", "81 mg", PO),
        "nitroglycerin zero point four milligrams sublingual": drug("nitroglycerin", "0.4 mg", SL),
        "one spray of nitro sublingual": drug("nitroglycerin", "1 {spray}", SL),
        "albuterol two point five milligrams nebulized": drug("albuterol", "2.5 mg", NEB),
        "albuterol four puffs inhaled": drug("albuterol", "4 {puff}", "inhaled"),
        "ipratropium half a milligram nebulized": drug("ipratropium", "0.5 mg", NEB),
        "glucagon one milligram i m": drug("glucagon", "1 mg", IM),
        "oral glucose fifteen grams by mouth": drug("oral glucose", "15 g", PO),
        "ondansetron four milligrams i v": drug("ondansetron", "4 mg", IV),
        "methylprednisolone one twenty five milligrams i v": drug("methylprednisolone", "125 mg", IV),
        "dexamethasone ten milligrams p o": drug("dexamethasone", "10 mg", PO),
        "magnesium two grams i v over twenty minutes": drug("magnesium sulfate", "2 g", IV),
        "t x a one gram i v": drug("tranexamic acid", "1 g", IV),
        "acetaminophen one thousand milligrams p o": drug("acetaminophen", "1000 mg", PO),
        "paracetamol one gram i v": drug("acetaminophen", "1 g", IV),
        "ibuprofen four hundred milligrams p o": drug("ibuprofen", "400 mg", PO),
        "furosemide forty milligrams i v": drug("furosemide", "40 mg", IV),
        "haloperidol five milligrams i m": drug("haloperidol", "5 mg", IM),
        "labetalol twenty milligrams i v": drug("labetalol", "20 mg", IV),
        "metoprolol five milligrams i v": drug("metoprolol", "5 mg", IV),
        "diltiazem twenty milligrams i v": drug("diltiazem", "20 mg", IV),
        "oxytocin ten units i m": drug("oxytocin", "10 [U]", IM),
        "insulin ten units subcutaneous": drug("insulin", "10 [U]", SQ),
    }


def _fluids() -> dict[str, Fields]:
    return {
        "normal saline five hundred milliliters i v": drug("normal saline", "500 mL", IV),
        "a liter of lactated ringers i v": drug("lactated ringers", "1 L", IV),
        "dextrose twenty five grams i v": drug("dextrose", "25 g", IV),
        "dextrose ten percent two hundred and fifty milliliters i v": drug(
            "dextrose", route=IV, volume_ml="250", concentration="10 %"
        ),
    }


def _acts() -> dict[str, Fields]:
    return {
        "wasted two milligrams of midazolam": drug("midazolam", "2 mg", action="wasted"),
        "fentanyl fifty micrograms wasted": drug("fentanyl", "50 ug", action="wasted"),
        "drawing up two milligrams of naloxone": drug("naloxone", "2 mg", action="prepared"),
        "prepared ketamine two hundred milligrams": drug("ketamine", "200 mg", action="prepared"),
        "aspirin not given allergy": drug("aspirin", action="not_given"),
        "patient refused aspirin": drug("aspirin", action="not_given"),
    }
