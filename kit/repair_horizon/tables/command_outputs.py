"""The tables of the commands of the day, declared: bids, stock's asking prices, plan, parts."""

from __future__ import annotations

from dataclasses import replace

from repair_horizon.tables.codes import Action, Basis, Verdict
from repair_horizon.tables.columns import Output, declared

BACKTEST = "backtest"
"""Folder of a workspace where a back-test is kept."""

_MODEL = """
family_id | code | Family | the family, as in catalogue.csv
model_id | code | Model | the model, as in catalogue.csv
"""


def _whole(name: str, meaning: str, lines: str) -> Output:
    """Declare an output, every column on a line of its own."""
    columns = declared(lines)
    for one, codes in (("verdict", Verdict), ("basis", Basis), ("then", Action)):
        if one in columns:
            columns[one] = replace(columns[one], codes=codes)
    return Output(name, meaning, tuple(columns.values()))


BIDS = _whole(
    "bids",
    "open listings scored for bidding (bids.csv)",
    f"""
    listing_id | code | Listing | the listing, or the lot that is one bid
    {_MODEL}
    listed_fault | fault | Listed fault | the fault the seller names
    end_time | date | Ends | day the auction closes
    current_bid | money | Current bid | price now, or the price asked
    terms | code | Terms | auction, fixed_price or private
    quantity | count | Units | units of the lot
    max_bid | money | Maximum bid | the listing's own; of a private seller the walk-away price
    offer | money | First offer | to a private seller
    probability_win | chance | Chance of winning | that the bid wins, or the offer is taken
    room | money | Room | maximum bid less the current one
    advice | code | Do | bid, pass or cannot say
    verdict | code | Verdict | of model and fault
    then | code | Then | what is done with it if it is in its commonest state
    expected_profit | money | Profit of a win | expected, at the price the lot is won at
    profit_per_hour | money | Profit per bench hour | the same for each bench hour
    probability_loss | share | Chance of loss | of a lot that is won
    binding_limit | text | What sets the bid | the rule or limit that holds it down
    model_bid | money | Model's maximum bid | at the usual terms of purchase
    own_terms | money | Own terms | what the listing's carriage and premium move the bid by
    part_quality | text | Part planned with | main part and its quality
    part_rests_on | text | Its price rests on | own quotes, an estimate, or the class
    other_quality_cost | money | Next quality costs more | in all, waiting and returns counted
    ask | fault | Ask the seller | the state worth asking about
    ask_value | money | The answer is worth | what knowing is worth
    per_resale_percent | money | Bid per 1 % of resale | how far the bid moves
    per_part_ten | money | Bid per 10 on the main part | how far the bid moves
    per_week | money | Bid per week | how far a week's delay moves it
    would_turn | text | Would turn it | the single change that turns the verdict
    reason | text | Reason | why nothing can be said, or what stands in the way
    caution | text | Caution | what to check before buying; local law comes first
    """,
)
PLAN = _whole(
    "plan",
    "what to bid on and to mend this month (plan.csv)",
    f"""
    kind | code | Do | buy, repair or sell
    item | code | Listing or unit | the listing or the unit
    {_MODEL}
    about | fault | Fault or state | the listed fault, or the unit's state
    end_time | date | Ends | day the auction closes; empty for a job
    do | yes_no | Do it | whether the plan takes it
    max_bid | money | Maximum bid | at the listing's own terms
    probability_win | chance | Chance of winning | of the bid
    expected_profit | money | Profit of a win | at the price the lot is won at
    profit_per_hour | money | Profit per bench hour | the same for each bench hour
    gain | money | Gain | chance times profit; a job's gain over the next option
    hours | hours | Bench hours | it takes if it comes about
    cash | money | Cash | it takes if it comes about at its maximum bid
    terms | code | Terms | auction, fixed_price or private; empty for a job
    caution | text | Caution | what to check before buying; local law comes first
    then | code | Then | what is done with it if it is in its commonest state; empty for a job
    """,
)
PART_ORDERS = _whole(
    "part_orders",
    "last-time buy of every part (part_orders.csv)",
    f"""
    {_MODEL}
    part_code | part | Part | the part
    quality_class | fault | Part quality | kind of part
    jobs | count | Jobs | repairs that needed it in the months counted
    over_months | count | Over months | months counted
    stop_month | month | Last month | in which the part is worth keeping
    order | count | Order | pieces to order
    median_need | count | Need | pieces needed in half of the draws
    lower_need | count | from | lower end of the need
    upper_need | count | to | upper end of the need
    newsvendor_order | count | Newsvendor order | pieces at the critical ratio
    landed | money | Landed cost | of one piece
    moq | count | Least order | of the supplier
    probability_all_used | share | Chance all are used | of the pieces ordered
    reason | text | Reason | why nothing can be said
    """,
)
QUOTES_RANKED = _whole(
    "part_quotes_ranked",
    "part quotes, cheapest in total first (part_quotes_ranked.csv)",
    """
    model_id | code | Model | the model, as in catalogue.csv
    part_code | part | Part | the part
    rank | count | Rank | 1 is the cheapest in total
    quote_id | code | Quote | the quote
    supplier_id | code | Supplier | who quoted
    quality_class | fault | Part quality | kind of part
    quote_date | date | Day | day of the quote
    landed | money | Landed cost | price and carriage of one piece
    delay_cost | money | Cost of delay | of its delivery time
    doa_cost | money | Cost of parts dead on arrival | expected
    total | money | In all | landed, delay and dead on arrival
    lead_days | count | Days | of delivery
    moq | count | Least order | of the supplier
    old | yes_no | Old | whether it should be asked for again
    newest | count | Age, days | of the quote, the newest of its supplier and quality
    wait_months | count | Months to wait | after which ordering is worth most; 0 is now
    wait_gains | money | Waiting gains | by then
    """,
)
ASKING = _whole(
    "asking_prices",
    "what to ask for every listed unit, and when to ask less (asking_prices.csv)",
    """
    unit_id | code | Unit | the listed unit
    model_id | code | Model | the model, as in catalogue.csv
    state | fault | State | what it is
    channel | code | Channel | the best channel to sell it on
    ask_price | money | Ask | price to ask now
    mark_down | text | Then | later prices, by day
    days_expected | count | Days to sale | expected at that price
    net_expected | money | Leaves | expected, fees and waiting counted
    asked_now | money | Asked now | price asked today
    days_listed | count | Days listed | so far
    next_channel | code | Next channel | the one after the best
    next_net | money | Next leaves | expected on the next channel
    reason | text | Reason | why nothing can be said
    """,
)
UNKNOWNS = _whole(
    "unknowns",
    "what would be worth knowing until the buy stop (unknowns.csv)",
    f"""
    kind | code | What to do | quote, as-is sale or repair outcome
    {_MODEL}
    what | text | What | part and quality, fault, or state
    basis | code | Rests on | own data, family average or class average
    lower | number | From | price, ratio to the working price, or success: 80 % interval
    upper | number | To | the same
    listings | number | Listings | expected until the buy stop
    worth | money | Worth | over all of them
    words | text | In words | what to do and its worth
    """,
)
PRICE_CHANGES = _whole(
    "price_changes",
    "change of every model's price a month, over the year to come (price_changes.csv)",
    f"""
    {_MODEL}
    price | money | Price now | median price of a working unit in the first month
    change | change | Change a month | of the price; below zero is a fall
    lower | change | from | lower end of the 80 % interval
    upper | change | to | upper end
    direction | text | Direction | falling or rising where the whole interval is
    probability_rise | share | Chance of a rise | over the year to come
    basis | code | Rests on | own sales, the family or the class
    reason | text | Reason | why nothing can be said
    """,
)
BROKEN_PRICES = _whole(
    "broken_prices",
    "price of broken units against working ones, by family and fault (broken_prices.csv)",
    """
    family_id | code | Family | the family, as in catalogue.csv
    kind | text | Price | sold as is, hammer price, or what the highest rival bids
    fault | fault | Fault or state | the listed fault, or the state found
    ratio | share | Of the working price | of the same model and month
    lower | share | from | lower end of the 80 % interval
    upper | share | to | upper end
    n | count | Rows | it was seen in
    newest | date | Newest | of them
    basis | code | Rests on | own rows, the family or the class
    words | text | In words | what it rests on
    reason | text | Reason | why nothing can be said
    """,
)
COMMAND_OUTPUTS = (
    BIDS,
    ASKING,
    PLAN,
    PART_ORDERS,
    QUOTES_RANKED,
    UNKNOWNS,
    PRICE_CHANGES,
    BROKEN_PRICES,
)
