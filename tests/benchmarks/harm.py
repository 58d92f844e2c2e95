"""What the corrections do, good or harm, on surveys that are drawn by other laws than they assume.

    python tests/benchmarks/harm.py [CASES] [SEEDS] [FIRST_SEED]

CASES: parts of the names of cases, separated by semicolons (``"one grid; reset"``), ``cases`` for all cases,
``perfect`` for the perfect walks, ``all`` (the default) for both; 5 seeds each from 0 on by default. An exact name
takes that case alone. The simulator is ``sample_project/simulator/other_laws``; every survey goes from its logs
through the whole program. Maps are scored with the mean level of the site off, which no survey without a known value
determines (see ``_harm_scores.py``). Hand recipes get our outliers, find the lag of each grid by plain
cross-correlation, and set the mean or median of lines; levels of grids stay.
"""

from __future__ import annotations

import re
import sys
from collections import Counter
from functools import partial
from typing import Callable, Mapping, Sequence

import numpy as np
from _harm_scores import Part, Score, scores
from _measure import whole_benchmark
from turnrow.sample_project.simulator.other_laws import CASES, FORMS, PERFECT_WALKS

HEAD = [
    "case", "as logged", "Turnrow", "line medians", "opposite means", "at least as good", "kept, %", "cover, %",
    "z2 of broad parts", "lines accused", "CPU, s",
]  # fmt: skip


def chosen(names: Sequence[str], wanted: str) -> list[str]:
    """Return the names that are wanted, exact ones alone where a part is one."""
    picked: list[str] = []
    for part in map(str.strip, wanted.split(";")):
        picked += [part] if part in names else [name for name in names if part in name]
    return list(dict.fromkeys(picked))


def walked(name: str, walk: Callable, seeds: Sequence[int]) -> list[Score]:
    """Return the scores of a case; a survey that fails is said and left out."""
    found: list[Score] = []
    for seed in seeds:
        try:
            found += scores(walk(seed))
        except Exception as error:
            print(f"{name}, seed {seed}: {type(error).__name__}: {error}", file=sys.stderr)
    return found


def worst_in_brackets(values: Sequence[float], worst: Callable, digits: int = 2) -> str:
    """Return the median and the worst as text."""
    known = [v for v in values if np.isfinite(v)]
    return f"{np.median(known):.{digits}f} ({worst(known):.{digits}f})" if known else ""


def rmse(found: Sequence[Score], way: str, digits: int = 2) -> str:
    """Return the RMSE of a way: median, and the worst."""
    return worst_in_brackets([s.rmse[way] for s in found], max, digits)


def broad(parts: Sequence[Part]) -> str:
    """Return the mean of (error / standard error)^2, with the number of parts."""
    z2 = [(p.error / p.standard_error) ** 2 for p in parts if p.standard_error > 0]
    return f"{np.mean(z2):.2f} of {len(z2)}" if z2 else ""


def row(found: Sequence[Score]) -> list[str]:
    """Return the cells of a case."""
    return [
        *(rmse(found, way) for way in ("logged", "turnrow", "median", "opposite")),
        f"{sum(s.won for s in found)} of {len(found)}",
        worst_in_brackets([100 * s.kept for s in found], min, 0),
        worst_in_brackets([100 * s.cover for s in found], min, 0),
        broad([p for s in found for p in s.parts]),
        f"{sum(s.accused for s in found)} of {len(found)}",
        f"{np.mean([s.cpu_s for s in found]):.1f}",
    ]


def print_table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print a Markdown table."""
    for cells in (head, ["---"] * len(head), *rows):
        print("| " + " | ".join(cells) + " |", flush=True)


def print_cases(names: Sequence[str], seeds: Sequence[int]) -> None:
    """Print the tables of the cases."""
    found: dict[str, list[Score]] = {}
    print(f"\nMap RMSE in mS/m, {len(seeds)} seeds a case from {seeds[0]} on; medians, worst in brackets\n")
    print_table(HEAD, [])
    for name in names:
        found[name] = walked(name, CASES[name].walk, seeds)
        if found[name]:
            print("| " + " | ".join([name, *row(found[name])]) + " |", flush=True)
    every = [s for one in found.values() for s in one]
    worse = sum(s.rmse["turnrow"] > s.rmse["logged"] for s in every)
    print(f"\nAt least as good as the better hand recipe: {sum(s.won for s in every)} of {len(every)}; worse than as "
          f"logged: {worse}; lines accused: {sum(s.accused for s in every)}, with lines that an uneven pace moved by "
          f"0.3 m or more: {sum(s.named for s in every)}")  # fmt: skip
    print_twins(found)
    print_groups(found)
    print_special(found)
    print_said(found)


def print_twins(found: Mapping[str, list[Score]]) -> None:
    """Print the ratio of the RMSE to that of the same sites without what a case has."""
    rows = []
    for name, one in found.items():
        twin = found.get(CASES[name].twin, [])
        if twin and len(twin) == len(one):
            ratios = [a.rmse["turnrow"] / b.rmse["turnrow"] for a, b in zip(one, twin)]
            rows.append([name, CASES[name].twin, worst_in_brackets(ratios, max)])
    if rows:
        print("\nRMSE by that of the same site without it\n")
        print_table(["case", "against", "ratio"], rows)


def print_groups(found: Mapping[str, list[Score]]) -> None:
    """Print cover and broad parts, pooled by group."""
    rows = []
    for group in dict.fromkeys(case.group for case in CASES.values()):
        mine = [s for name, one in found.items() if CASES[name].group == group for s in one]
        parts = [p for s in mine for p in s.parts]
        if not mine:
            continue
        rows.append([group or "other cases", str(len(mine)), f"{100 * np.mean([s.cover for s in mine]):.0f}"])
        for what in ("mean", "tilt", "step"):
            rows[-1].append(broad([p for p in parts if p.what == what]))
        above = [abs(p.error) > 2 * p.standard_error for p in parts if np.isfinite(p.standard_error)]
        rows[-1].append(f"{100 * np.mean(above):.0f} of {len(above)}" if above else "")
    print("\nCover in percent, and mean of (error / standard error)^2 of broad parts, by group\n")
    print_table(["group", "maps", "cover", "means of grids", "tilts", "steps", "% above 2 standard errors"], rows)


def print_special(found: Mapping[str, list[Score]]) -> None:
    """Print ghosts of steps inside lines, and cells beside readings at full scale."""
    for name, one in found.items():
        ghosts = [g for s in one for g in s.ghost]
        if ghosts:
            print(f"\n{name}: of {len(ghosts)} steps {sum(g <= 0.5 for g in ghosts)} leave at most half of themselves; "
                  f"median {np.median(ghosts):.2f}")  # fmt: skip
        clipped = [(s.clipped_cover, s.clipped_bias) for s in one if np.isfinite(s.clipped_cover)]
        if clipped:
            cover, bias = np.mean(clipped, axis=0)
            print(f"\n{name}: cells beside readings at full scale: cover {100 * cover:.0f} %, bias {bias:+.2f} mS/m")


def print_said(found: Mapping[str, list[Score]]) -> None:
    """Print by case in how many maps each finding stands, and what the records warn of, with N for numbers."""
    print("\nMaps with a finding, by code, and warnings of the records\n")
    for name, one in found.items():
        codes = Counter(code for s in one for code in {f.code for f in s.findings if f.severity != "note"})
        said = Counter(w for s in one for w in {re.sub(r"\d+(\.\d+)?", "N", text) for text in s.warnings})
        listed = ", ".join(f"{code} {n}" for code, n in codes.most_common())
        print(f"- {name}: {listed or 'none'}; {sum(bool(s.warnings) for s in one)} of {len(one)} with warnings"
              + "".join(f"\n    - {n} x {text}" for text, n in said.most_common(4)))  # fmt: skip


def print_perfect(names: Sequence[str], seeds: Sequence[int]) -> None:
    """Print the table of the perfect walks."""
    print(f"\nPerfect walks: map RMSE in mS/m and features kept in percent, {len(seeds)} seeds each from {seeds[0]} "
          "on; medians, worst in brackets\n")  # fmt: skip
    head = ["walk", "as logged", *(f"{form}: {what}" for form in FORMS for what in ("RMSE", "kept, %", "cover, %"))]
    print_table([*head, "lines accused"], [])
    every: list[Score] = []
    for name in names:
        cells, mine = [], []
        for form in FORMS:
            one = walked(f"{name}, {form}", partial(PERFECT_WALKS[name].walk, form=form), seeds)
            mine += one
            cells += [rmse(one, "turnrow", 3)]
            cells += [worst_in_brackets([100 * v for v in of], min, 0)
                      for of in ([s.kept for s in one], [s.cover for s in one])]  # fmt: skip
        accused = f"{sum(s.accused for s in mine)} of {len(mine)}"
        print("| " + " | ".join([name, rmse(mine, "logged", 3), *cells, accused]) + " |", flush=True)
        every += mine
    good = [s.rmse["turnrow"] for s in every]
    print(f"\nOf {len(good)} maps {sum(g <= 0.03 for g in good)} within 0.03 and {sum(g <= 0.06 for g in good)} within "
          f"0.06 mS/m")  # fmt: skip


def main() -> None:
    """Print the tables."""
    wanted, count, first = (*sys.argv[1:4], *("all", "5", "0")[len(sys.argv) - 1 :])
    seeds = range(int(first), int(first) + int(count))
    both = {"all": (list(CASES), list(PERFECT_WALKS)), "cases": (list(CASES), []), "perfect": ([], list(PERFECT_WALKS))}
    cases, perfect = both.get(wanted) or (chosen(list(CASES), wanted), chosen(list(PERFECT_WALKS), wanted))
    if wanted not in both and wanted in CASES:
        perfect = []
    with whole_benchmark():
        if cases:
            print_cases(cases, seeds)
        if perfect:
            print_perfect(perfect, seeds)
    if not cases and not perfect:
        sys.exit(f"No case has a name with {wanted!r}. Cases: {'; '.join([*CASES, *PERFECT_WALKS])}")


if __name__ == "__main__":
    main()
