"""One slow import left out: ``rfc3987_syntax``.

It comes in beside jupyterlab and builds some 35 parsers when nbformat is imported, only to check
one JSON schema format (``iri``) that no notebook uses; without it nbformat loads several times
faster. ``jsonschema`` treats it as optional and goes on when its import fails. Loaded before
nbformat by ``repair_horizon.reports``; where the package is there already nothing is changed.
"""

import sys

sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
