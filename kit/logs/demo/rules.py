"""The settings of the demo business, as its partners would write them."""

SETTINGS = """\
# Rules of the demo business (invented). What is left out keeps its default.
currency = "EUR"
seed = 1
draws = 1000
grade_order = ["A", "B", "C", "D"]

[bench]
rate_per_hour = 28.0
hours_per_week = 30.0
test_hours = 0.4

[targets]
profit = 30.0

[limits]
probability_loss = 0.35
loss_cap_share = 0.05
working_cash = 9000.0
lowest_lot_cost = 5.0
bid_increment = 1.0

[purchase]
inbound = 6.9
premium = [
    { above = 0.0, rate = 0.18 },
    { above = 400.0, rate = 0.15 },
]

[[channels]]
name = "marketplace"
percentage_fee = 0.11
payment_fee = 0.029
fixed_fee = 0.65

[[channels]]
name = "own_shop"
percentage_fee = 0.0
payment_fee = 0.029
fixed_fee = 1.35

[[channels]]
name = "trade_buyer"
percentage_fee = 0.0
payment_fee = 0.0
fixed_fee = 2.0

[sale]
channel = "marketplace"
carriage = 6.4
packaging = 1.6

[reserve]
return_rate = 0.07
return_cost = 22.0
warranty_rate = 0.03
warranty_cost = 75.0

[repair]
adhesive = 4.5
consumables = 2.0
doa_rate = 0.04
failed_as_is_factor = 0.68

[[repair.collateral]]
name = "back cover cracked on opening"
probability = 0.05
part_cost = 16.0
hours = 0.4

[[repair.collateral]]
name = "flex cable torn"
probability = 0.02
part_cost = 14.0
hours = 0.5

[delay]
selling_days = 12.0
part_lead_days = 10.0
capital_rate = 0.12

[by_class.foldable]
bench.test_hours = 0.75
purchase.inbound = 12.0
sale.carriage = 9.8
reserve.return_cost = 38.0
reserve.warranty_cost = 145.0
delay.selling_days = 20.0
repair.adhesive = 6.5
repair.collateral = [
    { name = "back cover cracked on opening", probability = 0.08, part_cost = 24.0, hours = 0.5 },
    { name = "outer display broken", probability = 0.03, part_cost = 92.0, hours = 0.75 },
]

[by_class.tablet]
purchase.inbound = 11.0
sale.carriage = 9.6
sale.packaging = 3.4
repair.collateral = [
    { name = "glass edge chipped", probability = 0.06, part_cost = 30.0, hours = 0.8 },
]

[by_class.laptop]
bench.test_hours = 0.75
purchase.inbound = 16.0
sale.carriage = 13.9
sale.packaging = 4.8
reserve.return_cost = 42.0
reserve.warranty_cost = 130.0
delay.selling_days = 24.0
repair.adhesive = 0.0
repair.collateral = [
    { name = "lid clip broken", probability = 0.04, part_cost = 12.0, hours = 0.3 },
]

[by_class.console]
reserve.warranty_cost = 60.0
repair.adhesive = 0.0
repair.collateral = []

[by_class.watch]
purchase.inbound = 5.9
sale.carriage = 5.2
sale.packaging = 1.4
reserve.warranty_cost = 70.0
"""
