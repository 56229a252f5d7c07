"""What pycanon, an independent library, says of patients as recorded, and as shown at the level anonymous.

    python tests/reference/k_anonymity.py [known|shown]

`known` writes 600 fictional patients (with graftledger) to data/known_outside.csv; `shown` writes how they are shown to
data/shown_anonymous.csv. Without a word it runs pycanon 1.3.6 on both, in an environment of its own.
The file is read as text, and an empty value as a value of its own.
"""

from __future__ import annotations

import json
import platform
import sys
from pathlib import Path

HERE = Path(__file__).parent
SENSITIVE = {"smoking": "never", "diabetes": "no", "medical_therapy": "none"}
QUASI = {
    "known_outside": ["sex", "age", "index_year", "indication", "pattern", "hair_colour", "sessions_here"],
    "shown_anonymous": [
        "sex",
        "age_band",
        "index_years",
        "indication",
        "pattern_stage",
        "hair_colour",
        "sessions_here",
    ],
}


def write_known() -> None:
    import polars as pl

    from synthetic_data import simulate

    frames = simulate(600, 5).frames
    first = frames["session"].sort("session_number").group_by("patient_key", maintain_order=True)
    sessions = first.agg(pl.col("performed_on").first().dt.year().alias("index_year"), pl.len().alias("sessions_here"))
    therapy = pl.col("medical_therapy")
    people = (
        frames["patient"]
        .join(sessions, on="patient_key")
        .sort("patient_key")
        .select(
            "sex",
            pl.col("age_at_first_surgery_years").alias("age"),
            "index_year",
            "indication",
            pl.concat_str("pattern_scale", pl.lit(" "), pl.col("pattern_stage").fill_null("")).alias("pattern"),
            "hair_colour",
            "sessions_here",
            "smoking",
            "diabetes",
            pl.when(therapy.list.contains("none")).then(pl.lit("none")).when(therapy.is_not_null()).then(pl.lit("any"))
            .alias("medical_therapy"),
        )
    )  # fmt: skip
    people.write_csv(HERE / "data" / "known_outside.csv")


def write_shown() -> None:
    import polars as pl

    from pipelines.exports.k_anonymity import reach_anonymity
    from pipelines.exports.quasi_identifiers import quasi_identifiers

    people = pl.read_csv(HERE / "data" / "known_outside.csv")
    identifiers = quasi_identifiers(people, 11)
    reached = reach_anonymity(people, identifiers, 11)
    shown = pl.DataFrame([q.forms[reached.chosen[q.name]].values.alias(q.name) for q in identifiers])
    shown.hstack(people.select(*SENSITIVE)).filter(reached.kept).write_csv(HERE / "data" / "shown_anonymous.csv")


def ask_pycanon() -> None:
    from importlib.metadata import version

    import pandas as pd
    from pycanon import anonymity

    told: dict[str, object] = {"python": platform.python_version()}
    told |= {name: version(name) for name in ("pycanon", "pandas")}
    for name, quasi in QUASI.items():
        data = pd.read_csv(HERE / "data" / f"{name}.csv", dtype=str, keep_default_na=False)
        # an answer that harms nobody, or none, may be shared by a whole group: each counts as its own
        for answer, harmless in SENSITIVE.items():
            alone = data[answer].isin([harmless, ""])
            data.loc[alone, answer] = [f"harmless {n}" for n in range(int(alone.sum()))]
        told[name] = {
            "patients": len(data),
            "k": int(anonymity.k_anonymity(data, quasi)),
            "alpha": {
                answer: float(anonymity.alpha_k_anonymity(data, quasi, [answer])[0]) for answer in SENSITIVE
            },
        }  # fmt: skip
    (HERE / "k_anonymity.json").write_text(json.dumps(told, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    {"known": write_known, "shown": write_shown}.get("".join(sys.argv[1:]), ask_pycanon)()
