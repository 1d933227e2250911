"""How repairs end, by class and listed fault, from open repair records: the bounds of success.

``python -m tests.published.class_figures`` computes kit/repair_horizon/classes/success_floors.csv
anew from the files in data/published (Open Repair Alliance, CC BY-SA 4.0) and prints it with 95 %
Wilson intervals. Fixed at the event is a floor (parts were not at hand), one less 'End of life' a
ceiling; 'Unknown' is no outcome. Where the records name a fault type, that is used, elsewhere the
fault words found in the text. Fewer than 20 attempts bound nothing.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).parent.parent.parent
PUBLISHED = ROOT / "data" / "published"
SHIPPED = ROOT / "kit" / "repair_horizon" / "classes" / "success_floors.csv"
LEAST = 20
COLUMNS = ["device_class", "listed_fault", "n", "floor", "ceiling", "mark", "source"]
TYPES = {
    "phone": {
        "Screen": "display_dead",
        "Power/battery": "power_or_battery",
        "USB/charging port": "charge_port",
        "Camera": "camera",
        "Stuck booting": "boot_loop",
        "Speaker/amplifier": "sound",
    },
    "laptop": {
        "Integrated screen": "display_dead",
        "Power/battery": "power_or_battery",
        "Integrated keyboard": "keyboard",
        "Internal storage": "storage",
        "Overheating": "overheating",
        "Ports/slots/connectors": "charge_port",
        "System board": "board",
        "Boot": "boot_loop",
    },
}
WORDS = {
    "screen": "display_dead",
    "battery": "battery_worn",
    "charging": "charge_port",
    "port": "charge_port",
    "no_power": "no_power",
    "liquid": "liquid",
    "keyboard": "keyboard",
    "hinge": "hinge",
    "drive": "drive",
    "stick_or_button": "stick_drift",
    "overheating": "overheating",
    "storage": "storage",
    "board": "board",
    "camera": "camera",
    "sound": "sound",
}
# A button is a stick only where there is one, a drive a fault of its own only in a console.
NOT_OF = {"stick_drift": ("console",), "drive": ("console",)}
ALLIANCE = "Open Repair Alliance, CC BY-SA 4.0, to July 2025"


def ends(attempts: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Return n, floor and ceiling of groups of attempts (rows with repair_status and n)."""
    known = attempts[attempts["repair_status"] != "Unknown"]
    n = known.groupby(by)["n"].sum()
    fixed = known[known["repair_status"] == "Fixed"].groupby(by)["n"].sum()
    over = known[known["repair_status"] == "End of life"].groupby(by)["n"].sum()
    share = pd.DataFrame({"n": n, "floor": fixed, "over": over}).fillna(0)
    share["floor"] /= share["n"]
    share["ceiling"] = 1 - share["over"] / share["n"]
    return share.drop(columns="over").reset_index()


def wilson(share: np.ndarray, n: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the 95 % Wilson interval of a share of n."""
    z = 1.959964
    centre, half = (
        share + z * z / (2 * n),
        z * np.sqrt(share * (1 - share) / n + (z / (2 * n)) ** 2),
    )
    return (centre - half) / (1 + z * z / n), (centre + half) / (1 + z * z / n)


def counts() -> pd.DataFrame:
    """Return the counts by class, fault word, period, age and outcome."""
    return pd.read_csv(PUBLISHED / "repair_attempts_counts.csv")


def typed(device_class: str) -> pd.DataFrame:
    """Return attempts of phones or laptops with the fault type their records name."""
    rows = pd.read_csv(PUBLISHED / f"repair_attempts_{device_class}s.csv").assign(n=1)
    return rows.assign(
        device_class=device_class, listed_fault=rows["fault_type"].map(TYPES[device_class])
    )


def by_words() -> pd.DataFrame:
    """Return the counts with the listed fault their words are taken for."""
    rows = counts()
    fault = rows["fault_word"].map(WORDS)
    for name, classes in NOT_OF.items():
        fault = fault.mask((fault == name) & ~rows["device_class"].isin(classes))
    return rows.assign(listed_fault=fault)


def success_floors() -> pd.DataFrame:
    """Return success_floors.csv: one row a class and listed fault, and one for 'any' fault."""
    by = ["device_class", "listed_fault"]
    types = ends(pd.concat([typed("phone"), typed("laptop")]), by)
    types["source"] = ALLIANCE + ", by fault type"
    words = ends(by_words(), by)
    words["source"] = ALLIANCE + ", by words in the text"
    whole = ends(counts().assign(listed_fault="any"), by)
    whole["source"] = ALLIANCE
    rows = pd.concat([types[types["n"] >= LEAST], words[words["n"] >= LEAST], whole])
    rows = rows.drop_duplicates(by).assign(mark="computed").sort_values(by)
    rows["n"] = rows["n"].astype(int)
    return rows.round({"floor": 3, "ceiling": 3})[COLUMNS].reset_index(drop=True)


def main() -> None:
    """Write the file anew and print it with intervals."""
    rows = success_floors()
    rows.to_csv(SHIPPED, index=False, lineterminator="\n")
    low, high = wilson(rows["floor"].to_numpy(), rows["n"].to_numpy())
    print(rows.drop(columns=["mark", "source"]).assign(low=low.round(3), high=high.round(3)))
    since = counts()[lambda d: d["period"] == "since 2022"]
    print("since 2022:", ends(since, ["device_class"]).round(3), sep="\n")


if __name__ == "__main__":
    main()
