"""Lines whose work would explode are refused in one message, before any block is kept."""

import time

import pytest

from teachlab.errors import InputError
from teachlab.synthetic import Scenario, generate, load_scenario


def changed(name, path, value):
    """Return a scenario that ships with one number changed."""
    document = load_scenario(name).model_dump(mode="json", exclude_none=True)
    *way, last = path.split(".")
    place = document
    for key in way:
        place = place[int(key) if key.isdigit() else key]
    place[int(last) if last.isdigit() else last] = value
    return Scenario.model_validate(document)


@pytest.mark.parametrize(
    ("name", "path", "value", "told"),
    [
        ("belt-seam", "sensor.sample_rate_hz", 1e-12, "passes go by from one sample to the next"),
        ("belt-seam", "sensor.sample_rate_hz", 1e-3, "passes go by from one sample to the next"),
        ("belt-seam", "background.marks.0.every_mm", 1e-12, "marks '.*' go by"),
        ("belt-seam", "background.marks.0.every_mm", 1e-3, "go by from one sample|act on every sample at once"),
        ("belt-seam", "background.marks.0.every_mm", 0.1, "act on every sample at once"),
        ("demo", "background.marks.0.size_mm", 1e12, "act on every sample at once"),
        ("demo", "object.0.glints.sd_mm", 1e9, "act on every sample at once"),
    ],
)
def test_work_that_explodes_is_refused(name, path, value, told):
    began = time.process_time()
    with pytest.raises(InputError, match=told) as refused:
        generate(changed(name, path, value), 3)
    assert len(str(refused.value)) < 600
    assert time.process_time() - began < 5
