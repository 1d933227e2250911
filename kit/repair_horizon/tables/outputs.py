"""The tables the kit writes or shows, each declared once, as the logs are in ``inputs``.

A column's name, kind, unit, meaning and heading stand here. Empty tables, what is read back from
a CSV, headings and the words of a value, the sheets of a workbook and the data dictionary
``data/README.md`` all come from these declarations.

Examples
--------
>>> from repair_horizon.tables.outputs import OUTPUTS
>>> OUTPUTS["thresholds"].column("max_bid").headed("EUR")
'Maximum bid, EUR'
>>> list(OUTPUTS["tries"].empty())
['listed_fault', 'n', 'fixed', 'estimate', 'lower', 'upper']
"""

from __future__ import annotations

from dataclasses import replace

from repair_horizon.tables.codes import Action, Cause, Confidence, Verdict
from repair_horizon.tables.columns import Output, declared
from repair_horizon.tables.command_outputs import COMMAND_OUTPUTS

# Columns that mean the same wherever they stand.
_SHARED = declared(
    """
    family_id | code | Family | the family, as in catalogue.csv
    model_id | code | Model | the model, as in catalogue.csv
    model_name | text | Model | its name
    listed_fault | fault | Listed fault | the fault the seller names
    state | fault | Turns out to be | what the listed fault turned out to be
    main_state | fault | Commonest state that can be repaired | of the listed fault
    then | code | Then | what is done with it if it is in its commonest state
    repair_stop_said | text | Repair stop | in place of a month: cannot say, as likely as not
    part_code | part | Part | the part
    part_codes | parts | Parts | parts the repair needs
    quality_class | fault | Part quality | kind of part
    supplier_id | code | Supplier | who quoted
    unit_id | code | Unit | a unit owned
    sale_id | code | Sale | a sale of sales.csv
    month | month | Month | first day of the month
    amount | money | Amount | money
    reason | text | Reason | why nothing can be said, or what stands in the way
    n_sales | count | Sales | own sales of the model that were used
    newest_sale | date | Newest sale | day of the newest of them
    confidence | code | Confidence | what the model's price rests on most
    verdict | code | Verdict | what to do
    lower | number | from | lower end of the interval
    upper | number | to | upper end of the interval
    level_lower | money | from | lower end for the price itself, residual variation left out
    level_upper | money | to | upper end for the price itself, residual variation left out
    predicted | money | Forecast | median of a single one
    phase | code | Phase | logged (past) or forecast
    age_months | months | Age, months | months since the launch
    max_bid | money | Maximum bid | highest hammer price that still pays, rounded down
    target_bid | money | Bid at the targets | before the owner's limits
    exact_bid | money | Unrounded bid | the bid before rounding down
    binding_limit | text | What sets the bid | the rule or limit that holds the bid down
    won_price | money | Won at | hammer price at which such a lot is won, on average
    limit_cost | money | Cost of the limit | profit a listing loses to the limit that binds
    expected_profit | money | Profit of a win | expected profit of a lot that is won
    profit_per_hour | money | Profit per bench hour | the same for each bench hour it takes
    probability_loss | share | Chance of loss | chance that a lot that is won loses money
    probability_win | chance | Chance of winning | chance that the maximum bid wins a lot
    listings_per_month | number | Listings a month | such lots expected a month
    earns_per_month | money | Earns a month | profit of a win x chance of winning x listings a month
    bid_next_month | money | Maximum bid next month | the same for the month after
    hammer | money | Usual hammer price | median price at which such lots close
    hammer_lower | money | from | lower end of usual hammer prices
    hammer_upper | money | to | upper end of usual hammer prices
    part_quality | text | Part planned with | main part and its quality
    part_rests_on | text | Its price rests on | own quotes, an estimate, or the class
    other_quality_cost | money | Next quality costs more | in all, waiting and returns counted
    caution | text | Caution | what to check before buying; local law comes first
    share | share | Share | share of units
    value | money | Worth | cash still to come
    date_name | code | What stops | which of the four dates
    n | count | n | how many it rests on
    """
)


def _output(name: str, meaning: str, shared: str, own: str = "") -> Output:
    """Declare an output: names in order, those of ``own`` declared here and not shared."""
    known = {**_SHARED, **declared(own)}
    return Output(name, meaning, tuple(known[n] for n in shared.split()))


_STOPS = "\n".join(
    f"{date}_{end} | month | {what} | {meaning}"
    for date, what in (("buy_stop", "Buying stops paying"), ("repair_stop", "Repair stops paying"))
    for end, meaning in (
        ("lower", "earliest month of the interval"),
        ("median", "month by which it has come in half of the draws; empty: not in the forecast"),
        ("upper", "latest month of the interval; empty: later than the forecast"),
    )
)
_DATES = (
    "buy_stop_lower buy_stop_median buy_stop_upper "
    "repair_stop_lower repair_stop_median repair_stop_upper"
)

THRESHOLDS = _output(
    "thresholds",
    "what to bid for each model and listed fault this month (thresholds.csv)",
    "family_id model_id listed_fault max_bid binding_limit expected_profit probability_loss "
    f"probability_win bid_next_month {_DATES} n_sales confidence verdict reason "
    "model_name won_price limit_cost profit_per_hour hammer hammer_lower hammer_upper main_state "
    "then repair_stop_said listings_per_month earns_per_month part_quality part_rests_on "
    "other_quality_cost caution",
    _STOPS,
)
MAXIMUM_BID = _output(
    "maximum_bid",
    "the maximum bid of a month and what it promises",
    "family_id model_id listed_fault month max_bid target_bid exact_bid binding_limit "
    "limit_cost probability_win expected_profit profit_per_hour probability_loss won_price "
    "hammer hammer_lower hammer_upper then part_quality part_rests_on "
    "other_quality_cost verdict reason",
)
_ALL = (
    _output(
        "models",
        "the models of a family and what is known of them",
        "model_id model_name launch_date age_months n_sales newest_sale confidence reason",
        "launch_date | date | Launched | day of the launch; empty where unknown",
    ),
    _output(
        "bid_path",
        "the maximum bid month by month, beside usual hammer prices",
        "model_id listed_fault month max_bid exact_bid binding_limit "
        "hammer hammer_lower hammer_upper",
    ),
    _output(
        "hammers",
        "hammer prices seen",
        "model_id listed_fault end_time final_price result",
        """
        end_time | date | Ended | day the auction closed
        final_price | money | Hammer price | price at which bidding closed
        result | code | Result | won, lost or skipped
        """,
    ),
    _output(
        "price_points",
        "sales behind the price curve",
        "model_id sale_date age_months amount adjusted grade price_type weight flagged",
        """
        sale_date | date | Day | day of the sale
        adjusted | money | As base | brought to the base grade, channel and storage
        grade | code | Grade | grade of the unit
        price_type | code | Kind of price | sold, asking or offer
        weight | share | Weight | 1 is full, near 0 an outlier
        flagged | yes_no | Outlier | whether it lies far off the curve
        """,
    ),
    _output(
        "price_curve",
        "price of a single sale by month, fitted and forecast",
        "model_id month age_months predicted lower upper level_lower level_upper phase",
        "lower | money | from | lower end of the interval\n"
        "upper | money | to | upper end of the interval",
    ),
    _output(
        "part_points",
        "quotes behind the part prices",
        "quote_date model_id part_code quality_class supplier_id amount",
        "quote_date | date | Day | day of the quote",
    ),
    _output(
        "part_curve",
        "part prices by month, fitted and forecast",
        "model_id part_code quality_class month predicted lower upper level_lower level_upper "
        "phase",
        "lower | money | from | lower end of the interval\n"
        "upper | money | to | upper end of the interval",
    ),
    _output(
        "part_alerts",
        "what part quotes warn of",
        "part_code model_id quality_class kind since words",
        """
        kind | code | Warning | left its band, end of supply, possible scarcity or stale
        since | date | Since | from when
        words | text | What | the warning in words
        """,
    ),
    _output(
        "options",
        "what an owned unit is worth under each option, by month",
        "model_id listed_fault state month option value lower upper",
        """
        option | code | Option | what is done with it
        lower | money | from | lower end of the interval
        upper | money | to | upper end of the interval
        """,
    ),
    _output(
        "stop_dates",
        "the four dates, each as a month with its interval and as chances",
        "family_id model_id listed_fault part_code date_name median lower upper probability_now "
        "probability_3 probability_6 probability_12 unsure reason",
        """
        unsure | text | Unsure | said in place of a month where repair may pay now or not
        median | month | When | month by which it has come in half of the draws
        lower | month | from | earliest month of the interval
        upper | month | to | latest month of the interval; empty: later than the forecast
        probability_now | share | Chance now | chance that it has come
        probability_3 | share | Chance within 3 months | chance that it has come by then
        probability_6 | share | Chance within 6 months | chance that it has come by then
        probability_12 | share | Chance within 12 months | chance that it has come by then
        """,
    ),
    _output(
        "stop_chances",
        "the chance of each stop month by month",
        "model_id listed_fault date_name month probability",
        "probability | share | Chance | chance that it has come",
    ),
    _output(
        "waterfall",
        "from the resale price down to the maximum bid",
        "model_id listed_fault line amount kind",
        """
        line | text | Line | what is added or taken off
        kind | code | Kind | start, less or result
        """,
    ),
    _output(
        "end_states",
        "what a bought unit ends as",
        "model_id listed_fault state action share value break_even_bid",
        """
        action | code | Best done | the option that is worth most
        break_even_bid | money | Breaks even at a bid of | bid at which that state loses nothing
        """,
    ),
    _output(
        "states",
        "what each listed fault turns out to be, and how repair goes",
        "listed_fault state share share_lower share_upper n_found success success_lower "
        "success_upper n_tried hours part_codes",
        """
        share_lower | share | from | lower end of the share
        share_upper | share | to | upper end of the share
        n_found | count | Jobs found | jobs that found it
        success | share | Repair succeeds | chance that a repair succeeds
        success_lower | share | from | lower end of the chance
        success_upper | share | to | upper end of the chance
        n_tried | count | Repairs tried | jobs that tried
        hours | hours | Bench hours | bench hours of a repair
        """,
    ),
    _output(
        "grades",
        "grades that come out of repair",
        "grade factor share n",
        """
        grade | code | Grade | the grade
        factor | number | Price against the base grade | price factor
        """,
    ),
    _output(
        "tries",
        "repairs tried, counted",
        "listed_fault n fixed estimate lower upper",
        """
        n | count | Repairs tried | jobs that tried
        fixed | count | Fixed | jobs that succeeded
        estimate | share | Share fixed | from the jobs alone, a little towards a half
        lower | share | from | lower end
        upper | share | to | upper end
        """,
    ),
    _output(
        "readings",
        "what a first reading at the meter has meant",
        "listed_fault reading n_reading state n_state share_before share lower upper",
        """
        reading | code | First reading | what the meter showed
        n_reading | count | Units read | units with that reading
        n_state | count | Units that were | of which so many were in the likeliest state
        share_before | share | Share without the reading | of that state among all
        share | share | With it | of that state among units with the reading
        lower | share | from | lower end
        upper | share | to | upper end
        """,
    ),
    _output(
        "effects",
        "what moves a price",
        "name estimate lower upper",
        """
        name | fault | What differs | grade, channel, storage or successor
        estimate | number | Price factor | how many times the price
        """,
    ),
    _output(
        "health",
        "how the price fit stands",
        "what value usual note",
        """
        what | text | Check | what is checked
        value | text | Found | what was found
        usual | text | Usual | what is usual
        note | text | What it means | in words
        """,
    ),
    _output(
        "widths",
        "sources of forecast uncertainty",
        "model_id months_ahead source share half_width",
        """
        months_ahead | count | Months ahead | months from now
        source | text | Source of uncertainty | what makes the interval wide
        half_width | number | Half width | of the interval, log points
        """,
    ),
    _output(
        "narrowing",
        "what more sales would take off the interval",
        "model_id sales_of sales half_now half_then",
        """
        sales_of | code | Sales of | the model sold
        sales | count | More sales | how many more
        half_now | number | Half width now | log points
        half_then | number | Half width then | log points
        """,
    ),
    _output(
        "far_off",
        "outliers among the sales",
        "sale_id model_id sale_date amount expected times weight",
        """
        sale_date | date | Day | day of the sale
        amount | money | Sold for | price of the sale
        expected | money | Expected | price of the curve
        times | number | Times the expected | sold for over expected
        weight | share | Weight | how much it counts
        """,
    ),
    _output(
        "misses",
        "where the curve misses groups of sales",
        "what group n miss std_error inside clear",
        """
        what | text | Sales by | what they are grouped by
        group | fault | Group | the group
        n | count | Sales | sales of the group
        miss | number | Above the curve | mean residual, log points
        std_error | number | Standard error | of that, log points
        inside | share | Within the middle 80 % | share of sales inside the interval
        clear | yes_no | Clear | whether the miss is more than chance
        """,
    ),
    _output(
        "model_effects",
        "what is the models' own",
        "model_id n_sales level slope learned",
        """
        level | number | Against the family | price against the family's curve, log points
        slope | number | Slope per year | log points a year
        learned | share | Weight of own data | share of the estimate that own sales carry
        """,
    ),
    _output(
        "market",
        "what the market did to all models",
        "month index lower upper",
        "index | number | Market, 1 is no effect | price factor of the market",
    ),
    _output(
        "robust",
        "cross-check of what moves a price",
        "name ours robust std_error apart",
        """
        name | fault | What differs | grade, channel or storage
        ours | number | Here | log price factor of the fit
        robust | number | Plain robust regression | log price factor
        std_error | number | Standard error | of the difference
        apart | yes_no | Differs by more than 2 standard errors | whether it does
        """,
    ),
    _output(
        "moves",
        "what moves the bid",
        "model_id listed_fault input worse better bid_worse bid_better",
        """
        input | text | Input | what is moved
        worse | text | Step named | the step that lowers the bid
        better | text | Step the other way | the same step the other way
        bid_worse | money | Change of the bid | by the step named
        bid_better | money | Change of the bid | by the step the other way
        """,
    ),
    _output(
        "changes",
        "what changed the bid since last month",
        "model_id listed_fault block change known_before own_rules reason",
        """
        block | code | What changed | the cause
        change | money | Bid moved by | its share of the change
        known_before | date | Known then | newest day last month's report knew
        own_rules | yes_no | Own settings | whether last month's own settings were kept
        """,
    ),
    _output(
        "shelf",
        "advice on every unit owned",
        "unit_id model_id state status advice value next_best margin loss_per_week days_held "
        "landed_cost caution reason if_cleared offer_floor hold_2_weeks hold_4_weeks hold_8_weeks "
        "break_even_success part_code break_even_part_price break_even_maker_quote "
        "stop_loss_hours stop_loss_money",
        """
        state | fault | State | what it is
        status | code | Where it stands | as in stock.csv
        advice | action | Do | what to do with it
        value | money | Value now | cash still to come if that is done now
        next_best | action | Next option | the option after the best
        margin | money | Gain over next option | value now less that of the next option
        loss_per_week | money | Cost of waiting per week | what a week's waiting costs
        days_held | count | Days held | days since it was bought
        landed_cost | money | Landed cost | what it has cost
        caution | text | Caution | what must be cleared first
        if_cleared | action | Once cleared | what to do then
        offer_floor | money | Least to sell for | below it going on pays more, at the usual fees
        hold_2_weeks | money | Value in 2 weeks | if it waits so long
        hold_4_weeks | money | Value in 4 weeks | if it waits so long
        hold_8_weeks | money | Value in 8 weeks | if it waits so long
        break_even_success | share | Least chance of success | below it repair does not pay
        break_even_part_price | money | Dearest part | above it repair does not pay
        break_even_maker_quote | money | Dearest manufacturer repair | above it that does not pay
        stop_loss_hours | hours | Stop after | bench hours after which to stop
        stop_loss_money | money | Stop after | money in parts after which to stop
        """,
    ),
    _output(
        "data_quality",
        "what became of the rows read",
        "table read used set_aside held",
        """
        table | fault | Log | the log
        read | count | Rows read | rows of the file
        used | count | Used | rows used
        set_aside | count | Excluded | rows set aside with a reason
        held | count | Held for review | rows that wait for review
        """,
    ),
    _output(
        "reasons",
        "why rows were not used",
        "table status reason rows",
        """
        table | fault | Log | the log
        status | code | Status | set aside or held for review
        rows | count | Rows | how many
        """,
    ),
    _output(
        "set_aside",
        "every row that was not used (set_aside.csv)",
        "table line row_id status reason column found allowed",
        """
        table | code | Log | the log
        line | count | Line | line of the file
        row_id | code | Row | key of the row
        status | code | Status | set aside or held for review
        column | code | Column | the column at fault
        found | text | Found | what stood there
        allowed | text | Allowed | what may stand there
        """,
    ),
)


def _with_codes(output: Output) -> Output:
    """Give columns of codes their words."""
    codes = {"verdict": Verdict, "confidence": Confidence, "block": Cause}
    codes |= {"option": Action, "action": Action, "then": Action}
    named = [replace(c, codes=codes.get(c.name)) for c in output.columns]
    return replace(output, columns=tuple(named))


_PAGES = {o.name: _with_codes(o) for o in (THRESHOLDS, MAXIMUM_BID, *_ALL)}
_OF_THE_MONTH = ("set_aside", "maximum_bid")  # no family's own
PAGE_TABLES = (*(n for n in _PAGES if n not in _OF_THE_MONTH), "price_changes", "broken_prices")
OUTPUTS: dict[str, Output] = {**_PAGES, **{o.name: o for o in COMMAND_OUTPUTS}}
