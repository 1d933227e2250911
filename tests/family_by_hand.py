"""A family's month made by hand: small, without a fit, and with names nobody should trust."""

import pandas as pd
from repair_horizon.reports.month_tables import TABLES, FamilyMonth
from repair_horizon.tables.outputs import OUTPUTS

NASTY = (
    "<script>document.title='run'</script>",
    '<img src=x onerror="document.title=\'run\'"> "quoted" ${1+1} %{y} $5 and $6',
    "دفتر <b>שבור</b> 📱 &amp; 'one'",
)
MONTHS = pd.date_range("2026-11-01", periods=24, freq="MS")
FIRST = MONTHS[0]


def _thresholds() -> pd.DataFrame:
    rows = [
        ("m1", "display_dead", "buy", 120.0, 100.0, 61.0, 30.0, "profit target", "", 40),
        ("m2", "display_dead", "buy", 80.0, 90.0, 30.0, 15.0, "chance of loss", "", 12),
        ("m2", "locked", "stop", 0.0, 20.0, None, None, "", "do not buy at any price", 12),
        ("m3", "display_dead", "cannot say", None, None, None, None, "", "no price is known", 0),
    ]
    names = ["model_id", "listed_fault", "verdict", "max_bid", "hammer", "expected_profit"]
    names += ["profit_per_hour", "binding_limit", "reason", "n_sales"]
    table = pd.DataFrame(rows, columns=names)
    return table.assign(
        family_id="hand",
        model_name=table["model_id"].map(dict(zip(("m1", "m2", "m3"), NASTY, strict=True))),
        probability_loss=[0.12, 0.004, None, None],
        probability_win=[0.62, 0.31, 0.0, None],
        won_price=[95.0, 71.0, None, None],
        limit_cost=0.0,
        listings_per_month=[2.5, 1.0, 1.0, None],
        earns_per_month=[94.5, 9.3, 0.0, None],
        hammer_lower=table["hammer"] * 0.8,
        hammer_upper=table["hammer"] * 1.3,
        bid_next_month=[118.0, 79.0, 0.0, None],
        main_state=["display_only", "display_only", "locked", None],
        then=["repair", "sell as is", "not sold: locked", None],
        confidence=["own sales", "few sales", "few sales", "cannot say"],
        **{
            f"{date}_{end}": pd.to_datetime(pd.Series(values))
            for date in ("buy_stop", "repair_stop")
            for end, values in {
                "lower": ["2027-01-01", "2026-11-01", "2026-11-01", None],
                "median": ["2027-03-01", "2026-11-01", "2026-11-01", None],
                "upper": [None, "2027-02-01", "2026-11-01", None],
            }.items()
        },
    )


def _dates() -> pd.DataFrame:
    rows = [
        ("m1", "display_dead", "", "buy stop", "2027-03-01", "2027-01-01", None),
        ("m1", "display_dead", "", "bid zero", None, "2028-01-01", None),
        ("m1", "display_dead", "", "repair stop", "2027-03-01", "2027-01-01", None),
        ("m1", "", "DA", "part stop", "2027-02-01", "2027-01-01", "2027-06-01"),
    ]
    names = ["model_id", "listed_fault", "part_code", "date_name", "median", "lower", "upper"]
    table = pd.DataFrame(rows, columns=names)
    for name in ("median", "lower", "upper"):
        table[name] = pd.to_datetime(table[name])
    chances = {"now": 0.02, "3": 0.3, "6": 0.7, "12": 0.9}
    return table.assign(reason="", **{f"probability_{k}": v for k, v in chances.items()})


def _paths() -> tuple[pd.DataFrame, pd.DataFrame]:
    steps = range(len(MONTHS))
    path = pd.DataFrame(
        {
            "model_id": "m1",
            "listed_fault": "display_dead",
            "month": MONTHS,
            "max_bid": [120.0 - 3 * i for i in steps],
            "hammer": [100.0 - i for i in steps],
            "hammer_lower": [90.0 - i for i in steps],
            "hammer_upper": [110.0 - i for i in steps],
        }
    )
    options = pd.concat(
        pd.DataFrame(
            {
                "model_id": "m1",
                "listed_fault": "display_dead",
                "state": "display_only",
                "month": MONTHS,
                "option": option,
                "value": [start - fall * i for i in steps],
                "lower": [start - fall * i - 20 for i in steps],
                "upper": [start - fall * i + 20 for i in steps],
            }
        )
        for option, start, fall in (("repair", 200.0, 9.0), ("sell as is", 150.0, 2.0))
    )
    return path, options


def _curve(start: float, **keys: str) -> pd.DataFrame:
    months = pd.date_range("2026-05-01", "2028-10-01", freq="MS")
    value = [start * 0.98**i for i in range(len(months))]
    table = pd.DataFrame({"month": months, "predicted": value, "phase": "logged", **keys})
    table["lower"], table["upper"] = table["predicted"] * 0.8, table["predicted"] * 1.2
    table.loc[table["month"] >= FIRST, "phase"] = "forecast"
    return table


def _shelf() -> pd.DataFrame:
    rows = [
        ("u1", "m1", "display_only", "bench", "repair", 210.0, 4.5, 40, "", "", ""),
        ("u2", "m1", NASTY[1], "bench", "erase first", None, 9.0, 12, NASTY[0], "", "repair"),
        ("u3", "m2", "battery_only", "quarantine", "quarantine", None, None, 5, "swollen", "", ""),
    ]
    names = ["unit_id", "model_id", "state", "status", "advice", "value", "loss_per_week"]
    names += ["days_held", "caution", "reason", "if_cleared"]
    return pd.DataFrame(rows, columns=names).assign(landed_cost=100.0)


def family_by_hand() -> FamilyMonth:
    """Return a month with every table filled; model m3 is one of which nothing can be said."""
    path, options = _paths()
    days = pd.to_datetime(["2026-06-10", "2026-08-11", "2026-10-12"])
    none = pd.DataFrame()
    tables = {
        "models": pd.DataFrame(
            {
                "model_id": ["m1", "m2", "m3"],
                "model_name": NASTY,
                "age_months": [20.0, 31.0, 44.0],
                "n_sales": [40, 12, 0],
                "newest_sale": [days[2], days[1], pd.NaT],
                "confidence": ["own sales", "few sales", "cannot say"],
                "reason": ["", "", "no price is known"],
            }
        ),
        "thresholds": _thresholds(),
        "bid_path": path,
        "hammers": pd.DataFrame(
            {
                "model_id": "m1",
                "listed_fault": "display_dead",
                "end_time": days,
                "final_price": [95.0, 130.0, 101.0],
                "result": ["won", "lost", "skipped"],
            }
        ),
        "price_points": pd.DataFrame(
            {
                "model_id": ["m1", "m1", "m2"],
                "sale_date": days,
                "amount": [400.0, 380.0, 300.0],
                "adjusted": [410.0, 385.0, 310.0],
                "grade": ["A", NASTY[0], "B"],
                "weight": [1.0, 1.0, 0.1],
                "flagged": [False, False, True],
            }
        ),
        "price_curve": pd.concat([_curve(420.0, model_id="m1"), _curve(330.0, model_id="m2")]),
        "part_points": pd.DataFrame(
            {
                "quote_date": days,
                "model_id": "m1",
                "part_code": ["DA", "DA", "BAT"],
                "quality_class": ["aftermarket", "pulled", "aftermarket"],
                "supplier_id": NASTY,
                "amount": [60.0, 40.0, 12.0],
            }
        ),
        "part_curve": _curve(60.0, model_id="m1", part_code="DA", quality_class="aftermarket"),
        "part_alerts": pd.DataFrame(
            {
                "part_code": ["DA", "BAT"],
                "model_id": ["m1", "m1"],
                "quality_class": ["aftermarket", "pulled"],
                "kind": ["left its band", "stale"],
                "since": pd.to_datetime(["2026-10-01", "2026-01-01"]),
                "words": ["left its band in 2026-10", "newest quote is 300 days old"],
            }
        ),
        "options": options,
        "stop_dates": _dates(),
        "stop_chances": pd.DataFrame(
            {
                "model_id": "m1",
                "listed_fault": "display_dead",
                "date_name": ["repair stop"] * 3,
                "month": pd.date_range("2026-11-01", periods=3, freq="MS"),
                "probability": [0.0, 0.1, 0.3],
            }
        ),
        "waterfall": pd.DataFrame(
            {
                "model_id": "m1",
                "listed_fault": "display_dead",
                "line": ["resale price, repaired", "parts", "maximum bid"],
                "amount": [400.0, -280.0, 120.0],
                "kind": ["start", "less", "result"],
            }
        ),
        "end_states": pd.DataFrame(
            {
                "model_id": ["m1"],
                "listed_fault": ["display_dead"],
                "state": [NASTY[1]],
                "action": ["repair"],
                "share": [1.0],
                "value": [200.0],
                "break_even_bid": [150.0],
            }
        ),
        "states": pd.DataFrame(
            {
                "listed_fault": ["display_dead", "locked"],
                "state": ["display_only", "locked"],
                "share": [0.9, 0.1],
                "n_found": [18, 2],
                "success": [0.94, 0.0],
                "n_tried": [17, 0],
                "hours": [1.2, 0.0],
                "part_codes": ["DA;ADH", ""],
            }
        ),
        "grades": pd.DataFrame({"grade": ["A"], "factor": [1.0], "share": [1.0], "n": [9]}),
        "tries": pd.DataFrame(
            {
                "listed_fault": ["display_dead"],
                "n": [9],
                "fixed": [8],
                "estimate": [0.89],
                "lower": [0.7],
                "upper": [0.96],
            }
        ),
        "readings": pd.DataFrame(
            {
                "listed_fault": ["no_power"],
                "reading": ["trickle"],
                "n_reading": [14],
                "state": ["battery_worn"],
                "n_state": [9],
                "share_before": [0.3],
                "share": [0.61],
                "lower": [0.5],
                "upper": [0.7],
            }
        ),
        "effects": pd.DataFrame(
            {"name": ["grade B"], "estimate": [0.9], "lower": [0.8], "upper": [1.0]}
        ),
        "far_off": pd.DataFrame(
            {
                "sale_id": [NASTY[0], "S2"],
                "model_id": ["m1", "m2"],
                "sale_date": days[:2],
                "amount": [40.0, 3000.0],
                "expected": [400.0, 300.0],
                "times": [0.1, 10.0],
                "weight": [0.02, 0.02],
            }
        ),
        "misses": pd.DataFrame(
            {
                "what": ["age", "channel"],
                "group": ["under 12 months", NASTY[0]],
                "n": [12, 28],
                "miss": [0.05, -0.01],
                "std_error": [0.02, 0.01],
                "inside": [0.75, 0.82],
                "clear": [True, False],
            }
        ),
        "model_effects": pd.DataFrame(
            {
                "model_id": ["m1", "m2", "m3"],
                "n_sales": [40, 12, 0],
                "level": [0.05, -0.08, 0.0],
                "slope": [0.01, -0.02, 0.0],
                "learned": [0.7, 0.5, 0.0],
            }
        ),
        "market": pd.DataFrame(
            {"month": days.normalize(), "index": [1.02, 1.0, 0.97], "lower": 0.9, "upper": 1.1}
        ),
        "robust": pd.DataFrame(
            {
                "name": ["grade C", f"channel {NASTY[1]}"],
                "ours": [-0.12, 0.05],
                "robust": [-0.10, 0.12],
                "std_error": [0.03, 0.02],
                "apart": [False, True],
            }
        ),
        "widths": pd.DataFrame(
            {
                "model_id": "m1",
                "months_ahead": [0, 0, 12, 12],
                "source": ["market to come", "one sale's own spread"] * 2,
                "share": [0.0, 1.0, 0.25, 0.75],
                "half_width": [0.18, 0.18, 0.22, 0.22],
            }
        ),
        "narrowing": pd.DataFrame(
            {
                "model_id": "m1",
                "sales_of": ["m2", "m1"],
                "sales": 5,
                "half_now": 0.125,
                "half_then": [0.113, 0.12],
            }
        ),
        "health": pd.DataFrame(
            {"what": ["sales used"], "value": ["52"], "usual": [""], "note": [""]}
        ),
        "moves": pd.DataFrame(
            {
                "model_id": "m1",
                "listed_fault": "display_dead",
                "input": ["resale price", "repair success"],
                "worse": ["5 % lower", "10 points lower"],
                "better": ["5 % higher", "10 points higher"],
                "bid_worse": [-21.0, -9.5],
                "bid_better": [20.0, 7.5],
            }
        ),
        "changes": pd.DataFrame(
            {
                "model_id": "m1",
                "listed_fault": "display_dead",
                "block": ["price", "part", "yield", "fees", "time", "settings"],
                "change": [-8.0, 3.0, 0.2, 0.0, -1.2, 0.0],
                "known_before": pd.Timestamp("2026-09-30"),
                "own_rules": False,
                "reason": "",
            }
        ),
        "shelf": _shelf(),
        "broken_prices": pd.DataFrame(
            {
                "family_id": "hand",
                "kind": ["as is", "hammer price", "highest rival"],
                "fault": ["display_dead", "display_dead", "display_dead"],
                "ratio": [0.31, 0.28, 0.30],
                "lower": [0.27, 0.22, 0.25],
                "upper": [0.36, 0.33, 0.36],
                "n": [7, 12, 12],
                "newest": pd.Timestamp("2026-10-02"),
                "basis": "own",
                "words": ["7 own as-is sales", "12 own hammer prices", "12 own hammer prices"],
                "reason": "",
            }
        ),
        "data_quality": pd.DataFrame(
            {"table": ["sales"], "read": [60], "used": [52], "set_aside": [6], "held": [2]}
        ),
        "reasons": none,
        "price_changes": none,
    }
    return FamilyMonth(
        family_id="hand",
        device_class="phone",
        currency="EUR",
        month=FIRST,
        cutoff=pd.Timestamp("2026-10-31"),
        level=0.8,
        base="grade A",
        turning="resale 5.1 % lower or display 12.00 dearer",
        tables={n: _whole(n, tables[n]) for n in TABLES},
    )


def _whole(name: str, table: pd.DataFrame) -> pd.DataFrame:
    """Give a table the columns it is declared with, those not filled above left empty."""
    return table.reindex(columns=OUTPUTS[name].names) if len(table) else OUTPUTS[name].empty()
