"""What makes every process of the tests cheaper to start, set before any plugin looks.

nbval is loaded here without what it would import along with it, two seconds a process. And the
tests start some hundred processes and kernels, each of which would compile the whole kit anew
where the environment keeps Python from writing byte code.
"""

import os
import sys

os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

import repair_horizon.reports  # noqa: E402, F401, leaves out what is slow

pytest_plugins = [] if "nbval.plugin" in sys.modules else ["nbval.plugin"]
