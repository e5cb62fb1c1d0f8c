"""What a replay loads: libraries that take longer to load than it takes to work are left alone."""

import subprocess
import sys

import numpy as np

from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth


def test_a_scored_replay_loads_neither_pandas_nor_the_statistics_of_scipy(tmp_path):
    light = np.tile(np.repeat(np.float32([300, 2000]), [40, 10]), 30)
    light = np.append(light, np.full(40, np.float32(300))) + np.arange(1540, dtype=np.float32) % 7
    write_recording(
        tmp_path / "line.parquet", Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    )
    start = np.arange(40, 1500, 50)
    write_truth(tmp_path / "line.passes.csv", Truth.from_arrays(start, start + 10))
    code = (
        "import sys\n"
        "from teachlab.data.opening import open_pair\n"
        "from teachlab.model.setting import Setting\n"
        "from teachlab.questions.replay import replayed\n"
        f"recording, truth = open_pair(r'{tmp_path / 'line.parquet'}')\n"
        "found = replayed(recording, truth, Setting(unit='counts', on_level=1000, off_level=800))\n"
        "print(found.worth.score.counts.hits, found.alignment.passes, 'pandas' in sys.modules, "
        "'scipy.stats' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stdout.split() == ["30", "30", "False", "False"], done.stderr
