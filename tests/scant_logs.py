"""A small shop of which little is known: one family, three sales; worlds around it are drawn."""

from __future__ import annotations

from pathlib import Path

from repair_horizon.estimation.forecast import Estimates, FamilyOutlook, fit_family, forecast
from repair_horizon.estimation.rival_prices import private_sellers
from repair_horizon.estimation.shop_knowledge import shop_knowledge
from repair_horizon.logs import Logs, read_logs
from scipy.stats import norm

Z80 = float(norm.ppf(0.9))


FAMILY = "ulver"


def workspace(folder: Path, **files: str) -> Logs:
    """One family of three phones, some sales of two of them, and what else is given."""
    folder.mkdir()
    start = {
        "catalogue": "model_id,family_id,device_class,launch_date,launch_price,launch_currency\n"
        "ulver_1,ulver,phone,2022-01-01,500,EUR\n"
        "ulver_2,ulver,phone,2023-01-01,600,EUR\n"
        "ulver_3,ulver,phone,2024-01-01,700,EUR\n",
        "sales": "sale_id,model_id,sale_date,gross_amount,currency,grade,condition,listed_fault\n"
        "S1,ulver_1,2024-03-01,250,EUR,B,working,\n"
        "S2,ulver_2,2024-04-01,380,EUR,B,working,\n"
        "S3,ulver_1,2024-05-01,240,EUR,B,working,\n",
        "fault_states": "family_id,listed_fault,state,prior_share,part_codes,bench_hours,"
        "prior_success\n"
        "ulver,display_dead,display_only,0.8,DA,0.8,0.9\n"
        "ulver,display_dead,board,0.15,FLX;ZZ,2.5,0.5\n"
        "ulver,display_dead,locked,0.05,,0,0\n",
        "settings": "",
    }
    for name, text in (start | files).items():
        ending = "toml" if name == "settings" else "csv"
        (folder / f"{name}.{ending}").write_text(text or 'currency = "EUR"\n', encoding="utf-8")
    return read_logs(folder)


def outlook_of(logs: Logs, draws: int = 400) -> FamilyOutlook:
    family = forecast(all_fitted(logs), months=6, draws=draws).families[FAMILY]
    assert isinstance(family, FamilyOutlook)
    return family


def all_fitted(logs: Logs) -> Estimates:
    """Estimates of every family of a shop."""
    known = shop_knowledge(logs)
    families = {f: fit_family(logs, f, known) for f in logs.families}
    sellers = private_sellers(f.offers for f in families.values())
    return Estimates(logs.currency, logs.newest_day, families, sellers)
