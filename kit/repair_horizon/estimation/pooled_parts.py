"""What all quotes of the shop say of a part's qualities, and how widely models of a family differ.

    log price / launch price = level of a part in its family, by age + the model's own
        + the class's step of the quality + the shop's distance from it + the part's own

Few parts are quoted in two qualities for one model; all parts together tell what a copy costs in
this trade. Random effects by expectation-maximisation, each part's own quotes left out of what it
starts from.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from repair_horizon.classes import ClassKnowledge, class_knowledge
from repair_horizon.estimation.curve.design import Priors
from repair_horizon.estimation.curve.fit import NU
from repair_horizon.estimation.price_rows import usual_ratio
from repair_horizon.logs import CannotSay, Logs
from repair_horizon.tables.inputs import QUALITIES
from repair_horizon.tables.months import age_in_months

Floats = npt.NDArray[np.float64]

SHOP_STEP, PART_STEP = 0.12, 0.10
"""How far a quality lies from the class's in a shop, and in one part beside that (judgement)."""
_CELL_SD, _QUOTE_SD, _MODELS_WORTH, _PASSES = 0.08, 0.08, 6.0, 6
_LOOSE, _N = 1e-2, len(QUALITIES)


@dataclass(frozen=True, eq=False)
class PooledParts:
    """How widely models differ, and what each part says of the shop's qualities.

    ``told`` holds the precision (4, 4) and pull (4,) of a family's part about the shop's distances
    from the class's prices of the four qualities.
    """

    model_sd: float
    told: Mapping[tuple[str, str], tuple[Floats, Floats]] = field(default_factory=dict)

    def step(
        self, knowledge: ClassKnowledge, part: tuple[str, str], quality: str, base: str
    ) -> tuple[float, float]:
        """Log price of one quality of a family's part against another, and its deviation."""
        mean, cov = self._shop(part)
        load = np.zeros(_N)
        load[QUALITIES.index(quality)] += 1.0
        load[QUALITIES.index(base)] -= 1.0
        wide = load @ (cov + np.diag(part_steps(knowledge, part[1]) ** 2)) @ load
        return class_step(knowledge, part[1], quality, base) + float(load @ mean), float(wide**0.5)

    def _shop(self, but: tuple[str, str] | None = None) -> tuple[Floats, Floats]:
        """Mean and covariance of the shop's distances from the class, one part left out."""
        precision, pull = self._whole
        if but is not None and but in self.told:
            precision, pull = precision - self.told[but][0], pull - self.told[but][1]
        cov: Floats = np.asarray(np.linalg.inv(precision), dtype="float64")
        return cov @ pull, cov

    @cached_property
    def _whole(self) -> tuple[Floats, Floats]:
        precision, pull = np.eye(_N) * SHOP_STEP**-2.0, np.zeros(_N)
        for more, moved in self.told.values():
            precision, pull = precision + more, pull + moved
        return precision, pull


def class_step(knowledge: ClassKnowledge, code: str, quality: str, base: str) -> float:
    """Log price of one quality of a part against another by the class."""
    for one in (code, *reversed(knowledge.part_codes)):  # a display's copies may be of a kind apart
        shares = [knowledge.part_share(one, q) for q in (quality, base)]
        known = [s.value for s in shares if not isinstance(s, CannotSay)]
        if len(known) == len(shares):
            return float(np.log(known[0] / known[1]))
    return 0.0


def part_steps(knowledge: ClassKnowledge, code: str) -> Floats:
    """How far each quality of a part may lie from the shop's step, as a log deviation, (4,).

    What the class says of one part alone ('copies of a folding display are rare and dear') is a
    guess on top of what it says of all, and as much wider as the class says it is.
    """
    own = [knowledge.quality_apart(code, q) for q in QUALITIES]
    return np.hypot(PART_STEP, np.array(own))


def pooled_parts(logs: Logs, priors: Priors) -> PooledParts:
    """Take all quotes of the shop together.

    Parameters
    ----------
    logs
        The whole workspace's.
    priors
        Those of part prices: the usual fall with age, and how widely models differ at first.
    """
    cells = _cells(logs, priors)
    if cells.empty:
        return PooledParts(priors.model_level)
    load = (cells["quality"].to_numpy()[:, None] == np.array(QUALITIES)).astype("float64")
    x, y = np.column_stack([np.ones(len(cells)), load]), cells["y"].to_numpy("float64")
    variance = _CELL_SD**2 + _QUOTE_SD**2 / cells["n"].to_numpy("float64")
    part, keys = pd.factorize(pd.MultiIndex.from_frame(cells[["family", "code"]]))
    model, whose = pd.factorize(part * 10**6 + pd.factorize(cells["model"])[0])
    part_of = whose // 10**6
    kinds = cells.groupby(part)["kind"].first()
    inner = np.zeros((len(keys), _N + 1, _N + 1))
    inner[:, 0, 0] = _LOOSE
    for at, (kind, (_, code)) in enumerate(zip(kinds, keys, strict=True)):
        steps = part_steps(class_knowledge(str(kind)), str(code))
        inner[at, 1:, 1:] = np.diag(steps**-2.0)
    out, weight = PooledParts(priors.model_level), np.ones(len(y))
    for _ in range(_PASSES):
        row = (weight / variance)[:, None]
        both = np.column_stack([x, y, np.ones(len(y))]) * row
        sums = np.zeros((len(whose), both.shape[1]))
        np.add.at(sums, model, both)
        kept = 1.0 / (out.model_sd**-2.0 + sums[:, -1])
        gram = np.zeros((len(keys), _N + 1, _N + 2))
        np.add.at(gram, part, x[:, :, None] * both[:, None, :-1])
        taken = kept[:, None, None] * sums[:, : _N + 1, None] * sums[:, None, :-1]
        np.subtract.at(gram, part_of, taken)
        precision, pull = gram[:, :, :-1], gram[:, :, -1]
        cov = np.linalg.inv(precision + inner)
        # What a part says of the shop: its level and its own distances averaged out.
        left = (np.eye(_N + 1) - precision @ cov)[:, 1:]
        told = zip(left @ precision[:, :, 1:], np.einsum("pij,pj->pi", left, pull), strict=True)
        out = replace(out, told=dict(zip(map(tuple, keys), told, strict=True)))
        start = inner @ np.append(0.0, out._shop()[0])
        own = np.einsum("pij,pj->pi", cov, pull + start)
        level = kept * (sums[:, -2] - np.einsum("gi,gi->g", sums[:, : _N + 1], own[part_of]))
        moved = kept[:, None] * sums[:, : _N + 1]
        unsure = kept + np.einsum("gi,gij,gj->g", moved, cov[part_of], moved)
        off = y - np.einsum("ni,ni->n", x, own[part]) - level[model]
        weight = (NU + 1) / (NU + off**2 / variance)
        second = np.sum(level**2 + unsure) + _MODELS_WORTH * priors.model_level**2
        out = replace(out, model_sd=float(np.sqrt(second / (len(whose) + _MODELS_WORTH))))
    return out


def _cells(logs: Logs, priors: Priors) -> pd.DataFrame:
    """Quotes of one model's part in one quality taken together: distance from the class."""
    catalogue = logs.tables["catalogue"].drop_duplicates("model_id").set_index("model_id")
    quotes = logs.tables["part_quotes"]
    quotes = quotes[quotes["amount"] > 0]
    about = catalogue.loc[quotes["model_id"]]
    days = pd.DatetimeIndex(quotes["quote_date"])
    age = np.maximum(age_in_months(days, about["launch_date"]), 0.0)
    price = np.log(quotes["amount"].to_numpy() / about["launch_amount"].to_numpy())
    kinds = about["device_class"].to_numpy()
    names = list(zip(kinds, quotes["part_code"], quotes["quality_class"], strict=True))
    step = {n: class_step(class_knowledge(n[0]), n[1], n[2], QUALITIES[0]) for n in set(names)}
    table = pd.DataFrame(
        {
            "family": about["family_id"].to_numpy(),
            "kind": kinds,
            "code": quotes["part_code"].to_numpy(),
            "model": quotes["model_id"].to_numpy(),
            "quality": quotes["quality_class"].to_numpy(),
            "y": price - usual_ratio(priors, age) - np.array([step[n] for n in names]),
        }
    )
    table = table[np.isfinite(table["y"])]
    by = table.groupby(["family", "kind", "code", "model", "quality"], sort=True)
    return by.agg(y=("y", "median"), n=("y", "size")).reset_index()
