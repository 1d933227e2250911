"""What the partners see: charts, family pages, the index, the folder of a month."""

import sys

# It comes in beside jupyterlab and builds some 35 parsers when nbformat is imported, only to
# check one JSON schema format (``iri``) that no notebook uses; jsonschema treats it as optional
# and goes on when its import fails. Left out before nbformat is imported, in the commands and in
# the kernels; where it is there already nothing is changed.
sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
