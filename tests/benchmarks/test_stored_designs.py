"""What is said of designed settings, followers and simulated sensors holds in the results that are stored."""

import json
from collections import Counter
from pathlib import Path

import loading
import pytest

import teachlab

FOLDER = Path(__file__).parents[2] / "benchmarks"
RESULTS = FOLDER / "results"
TEACHING = Path(teachlab.__file__).parent / "teaching" / "TEACHING.md"

pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="the benchmarks are not beside the tests")


@pytest.fixture(scope="module")
def scripts():
    """The scripts, which import each other by their bare names."""
    with loading.scripts(FOLDER / "products", ("figures", "cases", "designed", "followers")) as found:
        yield found


def stored(name: str):
    return json.loads((RESULTS / f"{name}.json").read_text(encoding="utf-8"))


def test_designs_at_fresh_seeds_err_as_rarely_as_the_rules_of_teaching_say(scripts):
    designed = scripts["designed"]
    fresh = [row for row in stored("designed")["cells"] if tuple(row["seeds"]) in designed.FRESH]
    assert 400 * len(designed.SCENARIOS) * len(designed.FRESH) == 28_800
    errors, lines, declined = Counter(), {}, Counter()
    for row in fresh:
        if row["errors"] is None:
            declined[row["variant"], row["line"]] += 1
        elif row["condition"] != "gain 0.9":
            errors[row["variant"], row["condition"]] += row["errors"]
            lines.setdefault(row["variant"], Counter())[row["line"]] += row["errors"]
    assert set(lines) == set(designed.VARIANTS)
    many = {variant for (variant, _), count in errors.items() if count > 3}
    assert many == {"guard-or-window", "longest delay 0.5"}
    assert max(count for (variant, _), count in errors.items() if variant not in many) == 3
    # As the page says: all of its errors but 2 are jars.
    assert (lines["longest delay 0.5"] - Counter(A01=10**6)).total() == 2
    assert lines["longest delay 0.5"]["A01"] > 3
    assert declined == {("held for 0.4", "A01"): len(designed.FRESH)}
    jars = [row["errors"] for row in fresh if (row["line"], row["condition"]) == ("A01", "gain 0.9")]
    assert jars == [400] * len(jars) != []
    told = " ".join(TEACHING.read_text(encoding="utf-8").split())
    assert "at most 3 errors together in 28,800 passes, and as few with 1 % more ambient light" in told


def test_pages_of_designs_and_followers_are_those_of_their_cells(scripts):
    found = stored("designed")
    page = scripts["designed"].page(found["cells"], found["commit"], found["jars"])
    assert (RESULTS / "designed.md").read_text(encoding="utf-8") == page
    page = scripts["followers"].page(stored("followers")["cells"])
    assert (RESULTS / "followers.md").read_text(encoding="utf-8") == page


def test_shares_bear_light_that_falls_and_amounts_less_so():
    errors: dict[str, list[int]] = {"offset": [], "gain": []}
    for row in stored("followers")["cells"]:
        name, _, form = row["strategy"].partition(", ")
        if name == "turning point" and row["condition"] == "falls to 0.3" and row["errors"] is not None:
            errors[form].append(row["errors"])
    assert max(errors["gain"]) == 0
    bars = [
        r["errors"]
        for r in stored("followers")["cells"]
        if (r["line"], r["strategy"]) == ("bars", "turning point, gain")
    ]
    assert bars == [0] * 20
    assert max(errors["offset"]) == 233
    told = " ".join(TEACHING.read_text(encoding="utf-8").split())
    assert "falls to 0.3 along the line, shares have no error in 400 passes" in told
    assert "amounts, the only form where objects raise the light, have up to 233." in told


def test_every_kind_of_setting_errs_least_alone_somewhere():
    """Why both followers stay: each has strictly the fewest errors on some lines."""
    text = (RESULTS / "followers.md").read_text(encoding="utf-8")
    for kind in ("fixed levels", "background", "turning points"):
        (count,) = [int(line.split("|")[2]) for line in text.splitlines() if line.startswith(f"| {kind} |")]
        assert count > 0
