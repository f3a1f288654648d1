"""Price against error."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from armsim.figures import style
from armsim.formatting import percent, show, unit_for


def trade_off(
    name: str,
    prices: Sequence[float],
    predicted: Sequence[float],
    sampled: Sequence[float],
    spending: Sequence[dict[str, float]],
    current: tuple[float, float],
    limits: Mapping[str, float],
    coverage: float,
) -> style.Drawing:
    """Pareto front of price and error by first order, and how the price is spread over groups of joints.

    Parameters
    ----------
    name : str
        Name of the scenario.
    prices : (n,) [cost units]
    predicted, sampled : (n,) [m]
        Quantile by first order and by Monte Carlo.
    spending : (n,) of mapping of group of joints to price
    current : (price, quantile [m])
        Price and error quantile of the design of the scenario.
    limits : mapping of task to limit [m]
    coverage : float
    """
    unit = unit_for([max(predicted)])
    groups = list(dict.fromkeys(group for row in spending for group in row))
    with style.style():
        out = style.Drawing(figsize=(6.4, 5.4), layout="constrained")
        axes, below = out.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        price_array = np.array(prices)
        axes.step(
            price_array, np.array(predicted) * unit.factor, where="post", color=style.COLOURS[5], label="first order"
        )
        axes.plot(
            price_array, np.array(sampled) * unit.factor, "o", color=style.COLOURS[0], markersize=3, label="sampled"
        )
        axes.plot(
            [current[0]], [current[1] * unit.factor], "D", color=style.COLOURS[1], label="as it is (encoders alone)"
        )
        texts = [f"{p:g} cost units: {show(e)} sampled" for p, e in zip(prices, sampled, strict=True)]
        out.annotate(axes, price_array, np.array(sampled) * unit.factor, texts=texts)
        for limit in dict.fromkeys(limits.values()):
            tasks = ", ".join(task for task, value in limits.items() if value == limit)
            of_tasks = "" if len(set(limits.values())) == 1 else f" at {tasks}"
            label = style.label(f"required {show(limit)}{of_tasks}")
            axes.axhline(limit * unit.factor, color=style.REQUIREMENT, label=label)
        axes.set(ylabel=f"{percent(coverage)} of errors within [{unit.name}]", ylim=(0, None))
        style.legend_below(axes, inches=0.12, columns=4)
        bottom = np.zeros(len(price_array))
        for number, group in enumerate(groups):
            part = np.array([row.get(group, 0.0) for row in spending])
            below.fill_between(
                price_array,
                bottom,
                bottom + part,
                step="post",
                color=style.COLOURS[number % len(style.COLOURS)],
                alpha=0.8,
                label=style.label(group),
                linewidth=0,
            )
            bottom = bottom + part
        below.set(xlabel="price [cost units]", ylabel="spent on [cost units]")
        below.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), fontsize=8)
        first, last = show(max(sampled)), show(min(sampled))
        title = f"{name}: from {first} for {min(prices):g} to {last} for {max(prices):g} cost units"
        axes.set_title(style.wrapped(title, 64))
        style.footnote(
            out,
            f"{len(price_array)} Pareto-optimal designs: by first order no cheaper one has a smaller error; at the "
            "deciding pose",
        )
    return out
