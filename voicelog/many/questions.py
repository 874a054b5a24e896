"""Questions that a service asks of its cases, ready made; each row of an answer leads back to its cases."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Question:
    """One question over the tables of ``columns``."""

    answers: str
    """What it answers, for people."""
    sql: str
    """How."""


_VENTILATION = """
    SELECT case_no, min(happened_at) AS ventilated_at FROM events
    WHERE standing AND procedure = 'bag_valve_mask_ventilation' AND action IN ('started', 'done', 'resumed')
    GROUP BY case_no"""
_MINUTES = "round(date_diff('second', {0}, {1}) / 60.0, 1)"

QUESTIONS = {
    "ventilation_to_drug": Question(
        "minutes from the first bag-mask ventilation to the first drug given at or after it, a row a case with"
        " ventilation; empty where no drug followed",
        f"""WITH bag AS ({_VENTILATION}), given AS (
    SELECT case_no, drug, status, happened_at, row_number() OVER (PARTITION BY case_no ORDER BY happened_at, entry) AS n
    FROM drugs JOIN bag USING (case_no) WHERE standing AND action = 'given' AND happened_at >= ventilated_at)
SELECT case_file, ventilated_at, drug AS first_drug, status AS drug_status,
    {_MINUTES.format("ventilated_at", "given.happened_at")} AS minutes
FROM cases JOIN bag USING (case_no) LEFT JOIN (FROM given WHERE n = 1) AS given USING (case_no)
ORDER BY ventilated_at, case_file""",
    ),
    "unconfirmed_drugs": Question(
        "of the drugs given that stand, how many were never confirmed, by drug",
        """SELECT drug, count(*) AS doses, count(*) FILTER (status <> 'confirmed') AS unconfirmed,
    round(100.0 * count(*) FILTER (status <> 'confirmed') / count(*), 1) AS percent
FROM drugs WHERE standing AND action = 'given' GROUP BY drug ORDER BY doses DESC, drug""",
    ),
    "recheck_delay": Question(
        "minutes from a drug given to the next vital sign after it, by drug; doses after which nothing was measured are"
        " counted",
        f"""WITH next AS (
    SELECT given.case_no, given.event, given.drug, given.happened_at, min(vitals.happened_at) AS measured_at
    FROM drugs AS given LEFT JOIN vitals ON vitals.case_no = given.case_no AND vitals.standing
        AND vitals.happened_at > given.happened_at
    WHERE given.standing AND given.action = 'given' GROUP BY ALL)
SELECT drug, count(*) AS doses, count(*) FILTER (measured_at IS NULL) AS never_rechecked,
    median({_MINUTES.format("happened_at", "measured_at")}) AS median_minutes,
    max({_MINUTES.format("happened_at", "measured_at")}) AS longest_minutes
FROM next GROUP BY drug ORDER BY doses DESC, drug""",
    ),
    "contact_to_vital": Question(
        "minutes from patient contact to the first vital sign after it, a row a case in which contact was called out",
        f"""WITH contact AS (
    SELECT case_no, min(happened_at) AS contact_at FROM events
    WHERE standing AND milestone = 'patient_contact' GROUP BY case_no)
SELECT case_file, contact_at, {_MINUTES.format("contact_at", "first_at")} AS minutes
FROM cases JOIN contact USING (case_no) LEFT JOIN (
    SELECT contact.case_no, min(vitals.happened_at) AS first_at FROM contact
    JOIN vitals ON vitals.case_no = contact.case_no AND vitals.standing AND vitals.happened_at >= contact_at
    GROUP BY contact.case_no) USING (case_no)
ORDER BY contact_at, case_file""",
    ),
    "corrections": Question(
        "how many events there were, were corrected, taken back or never confirmed, by kind and month (UTC)",
        """SELECT strftime(opened_at, '%Y-%m') AS month, kind, count(*) AS events,
    count(*) FILTER (status = 'amended') AS corrected, count(*) FILTER (status = 'rejected') AS taken_back,
    count(*) FILTER (status = 'unconfirmed') AS never_confirmed
FROM events JOIN (SELECT case_no, opened_at FROM cases) USING (case_no) GROUP BY ALL ORDER BY month, kind""",
    ),
}
"""Name to question."""
