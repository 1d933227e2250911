"""The command ``add``: one fact in one line."""

from __future__ import annotations

from argparse import Namespace

from repair_horizon.commands.printing import day_of, give_json, tell_now
from repair_horizon.logs import Fault, LogFault


def add(options: Namespace) -> int:
    """Add one row to a log or take the last back, and say what that changed."""
    from repair_horizon.new_facts import add as add_fact
    from repair_horizon.new_facts import take_back

    effect = not options.quiet
    if options.undo:
        fact, done = take_back(options.workspace, effect=effect), "taken back"
    else:
        if not options.table:
            allowed = "add TABLE column=value ..., or add --undo"
            raise LogFault([Fault("add", None, "", "no table", allowed)])
        values = dict(_pair(word) for word in options.values)
        today = day_of(options.today)
        fact = add_fact(options.workspace, options.table, today=today, effect=effect, **values)
        done = "added"
    if fact.now_words:
        tell_now(fact.now_words)
    if options.format == "json":
        row = {"table": fact.added.table, "row": dict(fact.added.row), "changes": fact.changes}
        give_json({"done": done, **row, "said": list(fact.said)})
        return 0
    print(f"{done}: {fact.added}")
    if effect:
        print(fact.words())
    return 0


def _pair(word: str) -> tuple[str, str]:
    name, equals, value = word.partition("=")
    if not equals or not name.isidentifier():
        raise LogFault([Fault("add", None, "", word, "column=value, as in gross_amount=210")])
    return name, value
