"""The command that hands a month on: share."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path

from repair_horizon.commands.printing import month_folder, out_file
from repair_horizon.logs import Fault, LogFault
from repair_horizon.tables.months import parse_month


def share(options: Namespace) -> int:
    """Write a written month, or one family of it, as one file."""
    from repair_horizon.files.names import slug
    from repair_horizon.share.bundle import share_month

    if not Path(options.workspace).is_dir():
        raise LogFault([Fault("--workspace", None, "", options.workspace, "a folder of logs")])
    folder = month_folder(options.workspace, parse_month(options.month))
    what = "all" if options.family is None else slug(options.family)
    hide = [h.strip() for h in (options.hide or "").split(",") if h.strip()]
    usual = folder.parent / f"{options.month}-{'-without-'.join([what, *hide])}.html"
    out = out_file(options) if options.out else usual
    shared = share_month(folder, out, options.family, hide=hide)
    print(f"{shared.path}: {shared.size:,} bytes, {len(shared.files)} files")
    for note in shared.notes:
        print(note)
    print("It opens without a network. The logs and saved tables are not in it.")
    print("Orientation only: check registry, ownership and locks; local law comes first.")
    return 0
