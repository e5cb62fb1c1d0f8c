"""Every option of every command does something: read from the parser, so that none can be forgotten.

A line that is not indented is a call as it is; below it, for each option, words that are added to it and what must
differ then:

- ``a.b.0``: a member of the document that `--json` prints;
- ``said``: the text for people;
- ``info FILE FIELD``, ``passes FILE FIELD``: a fact of the recording, or of the passes, that is written;
- ``bytes FILE``: the content of a written file;
- ``made FILE``: a file that is there now;
- ``refused TEXT``: nothing, since it now refuses, with these words, what it did before.

Words that begin with ``=`` are a whole call in place of the one above. `--json`, `--memory`, `--force` and `--details`
are shown for all commands alike, below.
"""

from __future__ import annotations

import json
import shlex
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import documents
import numpy as np
import pytest
import shell
from openpyxl import Workbook

from teachlab.cli import command_of
from teachlab.cli.commands import COMMANDS
from teachlab.data.recording_files import read_recording, write_recording
from teachlab.data.setting_files import write_setting
from teachlab.data.truth_files import read_truth, write_truth
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth

TABLE = """
guide
  question: =guide method | pages.0.name
  --html: --html pages | made pages/index.html
synth clear-jars --passes 4 --out s.parquet
  scenario: =synth demo --passes 4 --out s.parquet | title
  --out: --out t.parquet | recording
  --passes: --passes 5 | passes
  --seed: --seed 2 | bytes s.parquet
  --gain: --gain 0.5 | bytes s.parquet
  --ambient: --ambient 5 | bytes s.parquet
  --explain: =synth clear-jars --explain | said
  --toml: =synth clear-jars --toml | said
  --keys: =synth --keys | said
synth clear-jars --passes 4 --gain 0.5 --out s.parquet
  --pedestal: --pedestal 5 | bytes s.parquet
synth clear-jars --passes 4 --out grown.parquet
  --continue: =synth --continue grown.parquet --passes 3 | samples

import rich.csv --out i.parquet --unit mV
  log: =import plain.csv --out i.parquet --unit mV | samples
  --out: --out j.parquet | recording
  --unit: --unit V | unit
  --column: --column other | column
  --output-column: --output-column out | output
  --rate: --no-time --rate 500 | sample_rate_hz
  --time: --time ms --time-unit ms | time.column
  --time-format: =import odd.csv --out i.parquet --unit mV --time when --time-format %Y/%d/%m-%H:%M:%S.%f | began
  --truth-column: --out p.parquet --truth-column seen | passes
  --lot-column: --out p.parquet --truth-column seen --lot-column second | passes p.passes.parquet lot
  --passes: --out p.parquet --passes rows.csv | passes
  --full-scale: --full-scale 500 | info i.parquet full_scale
  --dark-level: --dark-level 2 | info i.parquet dark_level
  --sensing: --sensing diffuse | info i.parquet sensing
  --direction: --direction dip | info i.parquet direction
  --line-speed: --line-speed 0.5 | info i.parquet line_speed_m_s
  --title: --title belt | info i.parquet title
  --notes: --notes dusty | info i.parquet notes
  --delimiter: --delimiter semicolon | refused a number is needed
  --header: --no-header | refused which column
  --missing: --missing 10 | invalid_samples
import plain.csv --out i.parquet --unit mV --column 2 --no-time --rate 1000
  --no-time: =import plain.csv --out i.parquet --unit mV --column 2 --rate 1000 | time
import rich.csv --out i.parquet --unit mV --time ms --time-unit ms
  --time-unit: --time-unit us | sample_rate_hz
import rich.csv --out i.parquet --unit mV --time clock
  --date: --date day | began
import rich.csv --out i.parquet --unit mV --time stamp
  --time-zone: --time-zone Europe/Berlin | began
import rich.csv --out i.parquet --unit mV --output-column volts --output-level 3
  --output-level: --output-level 1 | bytes i.parquet
  --output-active: --output-active low | output
import gap.csv --out i.parquet --unit mV --fill-gaps
  --fill-gaps: =import gap.csv --out i.parquet --unit mV | refused gap
import rich.csv --out p.parquet --unit mV --truth-column second --truth-kind level
  --truth-kind: --truth-kind number | passes
  --truth-level: --truth-level 3 | passes p.passes.parquet start
import rich.csv --out p.parquet --unit mV --passes s.csv --passes-in s
  --passes-in: --passes-in samples | refused row
  --shift-ms: --shift-ms 3 | passes p.passes.parquet start
  --clock-ppm: --clock-ppm 50000 | passes p.passes.parquet start
  --except: --except out.csv | left_out
  --pass-start: --pass-start early | passes p.passes.parquet start
  --pass-end: --pass-end late | passes p.passes.parquet end
  --ignore: --ignore tin | passes p.passes.parquet detect
  --truth-source: --truth-source self-labelled | passes p.passes.parquet source
  --borders-from-light: --borders-from-light | uncertainty_samples
  --uncertainty-samples: --uncertainty-samples 2 | uncertainty_samples
import rich.csv --out p.parquet --unit mV --passes moments.csv --passes-in s --pass-ms 6
  --pass-ms: --pass-ms 10 | passes p.passes.parquet start
import rich.csv --out p.parquet --unit mV --passes mm.csv --passes-in mm --encoder-column steps
  --encoder-column: --encoder-column doubles | passes p.passes.parquet start
  --encoder-mm: --encoder-mm 2 | passes p.passes.parquet start
import foreign.csv --out i.parquet --unit mV --delimiter semicolon --skip 1 --decimal comma --encoding latin-1
  --decimal: --decimal point | refused light
  --skip: --skip 2 | refused which column
  --encoding: --encoding utf-8 | refused utf-8
import book.xlsx --out i.parquet --unit mV --sheet one
  --sheet: --sheet two | samples
import plain.csv --out more.parquet --unit mV
  --append: --append | refused times must ascend
import a.parquet --out part.parquet --from 0.2 --to 0.8
  --from: --from 0.5 | samples
  --to: --to 0.5 | samples

inspect a.parquet
  recording: =inspect a2.parquet | recording
  --truth: --truth few.parquet | passes
  --tolerance-ms: --tolerance-ms 3 | separability.tripped_gaps.0.start
  --plot: --plot trace.svg | made trace.svg

align a.parquet
  recording: =align a2.parquet | recording
  --truth: --truth late.parquet | lag_ms.shift
  --plot: --plot lag.svg | made lag.svg
align a.parquet --truth late.parquet --whole-periods 0 --out moved.parquet
  --out: --out again.parquet | made again.parquet
  --whole-periods: --whole-periods 1 | passes moved.passes.parquet start

label bare.parquet --out p.csv --force
  recording: =label a.parquet --out p.csv --force | recording
  --out: --out sheet.svg | made sheet.svg
  --from: =label bare.parquet --from corrected.csv --out q.parquet --force | correction
  --against: =label bare.parquet --from corrected.csv --against corrected.csv --out q.parquet --force | agreement
  --count: --count 41 | count
  --min-ms: --min-ms 10 | passes
  --direction: --direction dip | direction
  --semicolon: --semicolon | bytes p.csv

demo --draws 1 --out .
  --draws: --draws 2 | recordings.0.strategies.0.draws
  --out: --out pictures | made pictures/teachlab-demo.svg
  --tables: --tables | said

strategies
  strategy: =strategies sweep-minmax | strategies.1

teach a.parquet --strategy two-sample-midpoint
  recording: =teach a2.parquet --strategy two-sample-midpoint | setting.taught.evidence.drawn.recording
  --strategy: --strategy sweep-minmax | setting.taught.strategy
  --set: --set hysteresis_share=0.3 | setting.off_level
  --truth: --truth few.parquet | setting.taught.evidence.drawn.background
  --base: --base slow.json | setting.consecutive
  --seed: --seed 3 | setting.on_level
  --out: --out taught.json | made taught.json
  --tolerance-ms: --tolerance-ms 3 | setting.taught.evidence.drawn.background_stretch
  --device: --device device.toml | setting.on_level
teach fading.parquet --strategy sweep-minmax --set weight=0.95
  --accept-cost: --accept-cost 1 | verdict.decision

design a.parquet
  recording: =design a2.parquet | setting.taught.evidence.drawn.recording
  --set: --set delays=4 | setting.taught.parameters
  --truth: --truth late.parquet | setting.taught.evidence
  --base: --base half.json | setting.evaluation_rate_hz
  --seed: --seed 3 | setting.taught.evidence.drawn.seed
  --out: --out designed.json | made designed.json
  --device: --device device.toml | setting.on_level
  --plot: --plot levels.svg | made levels.svg
design a.parquet --truth late.parquet
  --tolerance-ms: --tolerance-ms 8 | setting.taught.evidence

replay a.parquet --setting high.json
  --assume: --assume independent | verdict.claim.upper
  recording: =replay a2.parquet --setting high.json | recording
  --setting: --setting low.json | setting.on_level
  --truth: --truth few.parquet | score.detect_passes
  --tolerance-ms: --tolerance-ms 3 | score.gap_hours
  --confidence: --confidence 0.9 | score.lost_rate.low
  --margin: --no-margin | margin
  --reserves: --reserves | reserves
  --accept-cost: --accept-cost 1 | verdict.decision
  --edges: --edges edges.csv | made edges.csv
  --plot: --plot where.svg | made where.svg

bench a.parquet --draws 4 --strategy two-sample-midpoint --jobs 1
  recordings: =bench a2.parquet --draws 4 --strategy two-sample-midpoint --jobs 1 | recordings.0.recording
  --strategy: --strategy sweep-minmax | recordings.0.strategies.1.strategy
  --set: --set two-sample-midpoint.hysteresis_share=0.3 | verdict.setting.off_level
  --truth: --truth few.parquet | recordings.0.scored_passes
  --base: --base slow.json | verdict.setting.consecutive
  --draws: --draws 6 | verdict.setting.on_level
  --seed: --seed 3 | verdict.setting.on_level
  --teach-share: --teach-share 0.5 | recordings.0.teach_passes
  --tolerance-ms: --tolerance-ms 3 | verdict.setting.taught.evidence.drawn.background
  --cost-miss: --cost-miss 7 | recordings.0.best_fixed.equally_good_pairs
  --cost-false: --cost-false 7 | recordings.0.best_fixed.cost
  --confidence: --confidence 0.9 | verdict.claim.upper
  --assume: --assume independent | verdict.claim.upper
  --device: --device device.toml | verdict.setting.on_level
  --out: --out results | made results/bench.json
bench fading.parquet --draws 2 --strategy sweep-minmax --set sweep-minmax.weight=0.83 --jobs 1
  --accept-cost: --accept-cost 1 | verdict.decision

study a.parquet --draws 4 --strategy two-sample-midpoint --jobs 1
  recordings: =study a2.parquet --draws 4 --strategy two-sample-midpoint --jobs 1 | rows.0.recording
  --strategy: --strategy sweep-minmax | rows.1
  --grid: --grid hysteresis_share=0.1,0.3 | rows.1
  --base: --base slow.json | rows.0.base
  --condition: --condition dim=0.5 | rows.1
  --draws: --draws 6 | rows.0.draws
  --seed: --seed 3 | rows.0.seed
  --teach-share: --teach-share 0.5 | rows.0.teach_passes
  --tolerance-ms: --tolerance-ms 3 | rows.0.key
  --cost-miss: --cost-miss 7 | rows.0.key
  --cost-false: --cost-false 7 | rows.0.key
  --confidence: --confidence 0.9 | recordings.0.claim
  --assume: --assume independent | recordings.0.claim
  --criteria: --criteria criteria.toml | criteria
  --out: --out kept-study | made kept-study/study.json
  --plot: --grid hysteresis_share=0.1,0.3 --plot effects.svg | made effects.svg
  --dry-run: --dry-run | said
study fading.parquet --draws 2 --strategy sweep-minmax --grid weight=0.83 --jobs 1
  --accept-cost: --accept-cost 1 | verdict.decision

conform two-sample-midpoint
  strategy: =conform sweep-minmax | strategy
  --set: --set hysteresis_share=2 | refused hysteresis_share

repeatability a.parquet --strategy two-sample-midpoint --draws 4
  recordings: =repeatability a2.parquet --strategy two-sample-midpoint --draws 4 | recordings.0.recording
  --strategy: --strategy sweep-minmax | recordings.0.strategies.1.strategy
  --set: --set hysteresis_share=0.3 | recordings.0.strategies.0.spreads.off_level.median
  --truth: --truth few.parquet | recordings.0.scored_passes
  --base: --base slow.json | recordings.0.best.setting.consecutive
  --draws: --draws 5 | draws
  --seed: --seed 3 | recordings.0.strategies.0.spreads.on_level.median
  --teach-share: --teach-share 0.5 | recordings.0.teach_passes
  --tolerance-ms: --tolerance-ms 3 | recordings.0.strategies.0.spreads.on_level.median
  --cost-miss: --cost-miss 7 | recordings.0.best.equally_good_pairs
  --cost-false: --cost-false 7 | recordings.0.best.cost
  --confidence: --confidence 0.9 | recordings.0.strategies.0.abstained.upper
  --limit: --limit on_level=0:1 | recordings.0.strategies.0.worse
  --average: --average 2 | recordings.0.strategies.0.averaged
  --taught: --taught eve=good.json | recordings.0.settings
  --by: --by label | recordings.0.strategies.0.between.what
  --passes-per-teaching: --passes-per-teaching 2 | recordings.0.strategies.0.between.on_levels
  --out: --out cloud.svg | made cloud.svg
repeatability a.parquet --strategy sweep-minmax --draws 3
  --vary: --vary sweep_passes=1,2 | recordings.0.strategies

surface a.parquet
  recordings: =surface a2.parquet | recording
  --truth: --truth few.parquet | detect_trials
  --tolerance-ms: --tolerance-ms 3 | lost
  --base: --base slow.json | hindsight.setting.consecutive
  --setting: --setting high.json | settings
  --strategy: --strategy two-sample-midpoint --draws 3 | taught
  --levels: --levels 20:60:5 | levels
  --device: --device device.toml | levels
  --cost-miss: --cost-miss 7 | hindsight.cost_miss
  --cost-false: --cost-false 7 | hindsight.cost
  --out: --out surface.svg | made surface.svg
  --on-delay: --on-delay 0:4:3 | delays
  --off-delay: --off-delay 0:4:3 | delays
surface a.parquet --strategy two-sample-midpoint --draws 3
  --set: --set hysteresis_share=0.3 | taught
  --draws: --draws 4 | taught
  --seed: --seed 3 | taught

identify sensed.parquet --longest-ms 2
  recording: =identify lawless.parquet --longest-ms 2 | recording
  --jitter: --jitter 0 | jitter_samples
  --longest-ms: =identify sensed.parquet --longest-ms 1 | latency_active.high
  --out: --out known.json | made known.json
  --plot: --plot edges.svg | made edges.svg

agree sensed.parquet --setting good.json
  recording: =agree lawless.parquet --setting good.json | recording
  --setting: =agree sensed.parquet --setting high.json | setting.on_level
  --truth: --truth a.passes.parquet | share.named
  --tolerance-samples: --tolerance-samples 0 | tolerance_samples
  --lag-samples: --lag-samples 1 | lag_samples
  --confidence: --confidence 0.8 | share.low
  --assume: --assume independent | share.low
  --plot: --plot apart.svg | made apart.svg

card a.parquet --setting good.json --device device.toml --draws 2
  recording: =card a2.parquet --setting good.json --device device.toml --draws 2 | recording
  --setting: =card a.parquet --setting delays.json --device device.toml --draws 2 | setting.on_level
  --device: =card a.parquet --setting good.json --draws 2 | display
  --truth: --truth few.parquet | kinds
  --cycle: --cycle belt=1s | cycles
  --tolerance-ms: --tolerance-ms 3 | score_worst.gap_hours
  --confidence: --confidence 0.8 | check_passes
  --accept-cost: =card a.parquet --setting high.json --draws 2 --accept-cost 0.9 | verdict.decision
  --out: --out card.html | made card.html
card a.parquet --setting taught-one.json --device device.toml --draws 2
  --draws: --draws 3 | expected_after_teaching.draws

explore a.parquet --out page.html
  recording: =explore a2.parquet --out page.html | recording
  --out: --out sheet.html | made sheet.html
  --setting: --setting high.json | setting.on_level
  --truth: --truth few.parquet | bytes page.html
  --tolerance-ms: --tolerance-ms 3 | bytes page.html
  --confidence: --confidence 0.9 | bytes page.html
  --strategy: --strategy two-sample-midpoint --draws 3 | bytes page.html
explore a.parquet --out page.html --strategy two-sample-midpoint --draws 3
  --set: --set hysteresis_share=0.3 | bytes page.html
  --draws: --draws 4 | bytes page.html
  --seed: --seed 3 | bytes page.html

stress a.parquet --setting good.json --gain 1,0.8 --ambient 0 --pedestal 0
  recording: =stress a2.parquet --setting good.json --gain 1,0.8 --ambient 0 --pedestal 0 | recording
  --setting: --setting low.json | setting.on_level
  --truth: --truth few.parquet | detect_trials
  --base: --base slow.json | setting.consecutive
  --gain: --gain 1,0.7 | gain
  --ambient: --ambient 0,5 | ambient
  --pedestal: --pedestal 0,5 | pedestal
  --speed: --speed 1,2 | speed
  --loss-per-day: --loss-per-day 1 | cleaning.loss_per_day
  --levels-seen: --levels-seen days.csv | cleaning.observed
  --out: --out map.svg | made map.svg
stress a.parquet --setting good.json --gain 1 --ambient 0 --pedestal 0 --speed 1,2
  --speed-out: --speed-out speeds.svg | made speeds.svg
stress a.parquet --setting good.json --gain 1 --ambient 0 --pedestal 0 --truth late.parquet
  --tolerance-ms: --tolerance-ms 8 | feasibility.windows

timing --speed-mm-s 500 --length-mm 120 --gap-mm 60 --evaluation-rate-hz 1000
  recording: =timing a.parquet | source
  --speed-mm-s: --speed-mm-s 250 | dwell_ms
  --length-mm: --length-mm 60 | dwell_ms
  --gap-mm: --gap-mm 30 | gap_ms
  --evaluation-rate-hz: --evaluation-rate-hz 500 | samples_in_dwell
  --consecutive: --consecutive 4 | response_ms
  --on-delay-ms: --on-delay-ms 3 | response_ms
  --off-delay-ms: --off-delay-ms 3 | output_pulse_ms
  --scan-ms: --scan-ms 10 | controller_ms
  --input-filter-ms: --input-filter-ms 5 | controller_ms
timing --speed-mm-s 500 --length-mm 120 --gap-mm 60 --evaluation-rate-hz 1000 --on-delay-ms 3
  --speed-change: --speed-change 0.1 | position_shift_mm
timing --speed-mm-s 500 --length-mm 120 --gap-mm 60 --evaluation-rate-hz 1000 --beam-mm 5
  --on-share: --on-share 0.8 | dwell_ms
  --off-share: --off-share 0.2 | gap_ms
timing --speed-mm-s 500 --length-mm 120 --gap-mm 60 --evaluation-rate-hz 1000 --on-share 0.8
  --beam-mm: --beam-mm 5 | dwell_ms
timing a.parquet
  --truth: --truth few.parquet | source
  --setting: --setting high.json | predicted

surroundings neighbour --width-us 4 --period-us 100 --period-us 93
  --width-us: --width-us 8 | pairs.0.share_hit
  --period-us: --period-us 70 | pairs.1
  --frequency-hz: =surroundings neighbour --width-us 4 --frequency-hz 10000 --frequency-hz 9000 | pairs.0.periods_us
  --consecutive: --consecutive 5 | pairs.0.verdict
surroundings beat --own-hz 10000 --other-hz 10400 --amplitude 80 --integration-us 500 --hysteresis 20
  --own-hz: --own-hz 10100 | beat_hz
  --other-hz: --other-hz 10300 | beat_hz
  --amplitude: --amplitude 40 | swing
  --integration-us: --integration-us 900 | amplitude_left
  --hysteresis: --hysteresis 200 | verdict
  --evaluation-rate-hz: --evaluation-rate-hz 1000 | beat_alias_hz
surroundings lamp --evaluation-rate-hz 1000 --swing 30 --hysteresis 10
  --evaluation-rate-hz: --evaluation-rate-hz 90 | flicker_alias_hz
  --swing: --swing 10 | verdict
  --hysteresis: --hysteresis 40 | verdict
  --mains-hz: --mains-hz 60 | flicker_hz
  --on-delay-ms: --on-delay-ms 20 | verdict
  --ripple-hz: --ripple-hz 40000 | ripple_alias_hz
surroundings ambient --limit-lx 5000 --expected-lx 12000
  --limit-lx: --limit-lx 50000 | head_room
  --expected-lx: --expected-lx 1000 | head_room
surroundings target --measured 2000 --other-reflectance 0.06 --distance 100 --other-distance 120
  --measured: --measured 1000 | light
  --other-reflectance: --other-reflectance 0.1 | ratio
  --reflectance: --reflectance 0.5 | ratio
  --distance: --distance 110 | ratio
  --other-distance: --other-distance 150 | ratio
  --dark: --dark 100 | light
  --mode: --mode "diffuse, target smaller than the spot" | exponent

counterfactual a.parquet
  recording: =counterfactual a2.parquet | recording
  --setting: --setting slow.json | sensors.0.consecutive
  --truth: --truth few.parquet | sensors.0.margin
  --mains-hz: --mains-hz 400 | sensors
  --best: --best | sensors.0.best
counterfactual a.parquet --truth late.parquet
  --tolerance-ms: --tolerance-ms 8 | sensors.0.margin
counterfactual a.parquet --best
  --cost-miss: --cost-miss 7 | sensors.0.best
  --cost-false: --cost-false 7 | sensors.0.best

coverage a.parquet --cycle belt=1s
  recording: =coverage a2.parquet --cycle belt=1s | recording
  --cycle: --cycle lamp=3Hz | cycles.1
  --setting: --setting low.json | found.0.what
  --truth: --truth few.parquet | names
  --teach-share: --teach-share 0.5 | cycles.0.blocks.teach.seconds
  --tolerance-ms: --tolerance-ms 3 | cycles.0.blocks.teach.open_s
  --confidence: --confidence 0.5 | cycles.0.blocks.teach.revolutions_needed
  --times: --times 2 | cycles.0.blocks.scored.times
  --begins: --begins 06:30 | hours
  --out: --out cycles.svg | made cycles.svg
coverage a.parquet --cycle belt=500mm
  --line-speed: --line-speed 2 | cycles.0.period_s

stale a.parquet --setting good.json --before a2.parquet
  recording: =stale d2.parquet --setting good.json --before a2.parquet | now.recording
  --setting: --setting low.json | state
  --before: --before d2.parquet | before.recording
  --truth: --truth few.parquet | now.lost_rate.trials
  --before-truth: --before-truth few.parquet | before.lost_rate.trials
  --least-margin: --least-margin 50 | state
  --confidence: --confidence 0.8 | now.lost_rate.high
stale a.parquet --setting good.json --truth late.parquet
  --tolerance-ms: --tolerance-ms 8 | now.lost_rate.events
stale fading.parquet --setting good.json
  --horizon-hours: --horizon-hours 1000000 | because

plan --max-rate 0.01
  --max-rate: --max-rate 0.02 | passes
  --confidence: --confidence 0.9 | passes
  --events: --events 1 | passes
  --best-of: --best-of 5 | passes
  --hours: --hours | hours
  --true-rate: --true-rate 0.001 | chance_of_success
  --seen: --seen 100 | more_passes
  --taught: --taught 50 | taught.values
plan --max-rate 0.01 --icc 0.1 --lot-size 10
  --icc: --icc 0.2 | passes
  --lot-size: --lot-size 20 | design_effect
  --lots: =plan --max-rate 0.01 --icc 0.001 --lots 300 | lots
plan --max-rate 0.01 --seen 100 --events 1
  --lost: --lost 1 | lost
plan --max-rate 0.01 --taught 50
  --figure: --figure 4 | taught.share_beyond

compare a.parquet --setting good.json --setting high.json
  --assume: --assume independent | verdict.claim.upper
  recording: =compare a2.parquet --setting good.json --setting high.json | recording
  --setting: --setting low.json | pairs.1
  --with: =compare a.parquet --setting good.json --with d2.parquet | with
  --truth: --truth few.parquet | trials
  --tolerance-ms: --tolerance-ms 3 | sides.0.score.gap_hours
  --confidence: --confidence 0.9 | difference.low
  --margin: --no-margin | sides.0.margin

report a.parquet --setting good.json --draws 0 --out record
  recording: =report a2.parquet --setting good.json --draws 0 --out record | data.recording
  --setting: --setting high.json | setting.on_level
  --out: --out second | made second/result.json
  --criteria: --criteria criteria.toml | verdict.criteria
  --truth: --truth few.parquet | data.passes
  --title: --title Trial | title
  --teach-share: --teach-share 0.3 | score.detect_passes
  --tolerance-ms: --tolerance-ms 3 | score.gap_hours
  --confidence: --confidence 0.9 | score.lost_rate.low
  --deviation: --deviation "belt cleaned" | options.deviations
  --cycle: --cycle belt=1s | cycles.cycles
  --about: --about about.toml | about.asset
  --bundle: --bundle all.zip | made all.zip
  --no-levels: --no-levels | bytes record/report.html
report a.parquet --setting taught-one.json --draws 0 --teach-share 0.3 --out record
  --draws: --draws 2 | teach_cloud.draws
report a.parquet --setting taught-one.json --draws 2 --teach-share 0.3 --out record
  --tolerance-ms: --tolerance-ms 3 | teach_cloud.points.on_level
report line.parquet --setting line.json --draws 0 --criteria passes.toml --out record
  --rehearsal: --rehearsal | verdict.criteria
report sensed.parquet --truth a.passes.parquet --setting good.json --draws 0 --out record
  --sensor-setting: --sensor-setting high.json | agreement.matched

verify kept/result.json
  record: =verify other/result.json | verified
  --recording: --recording a2.parquet | verified
  --truth: --truth few.parquet | verified
  --setting: --setting low.json | verified
"""
EXCUSED = {
    "bench --jobs": "how many processes work; the documents are equal by tests/studies/test_run.py",
    "design --accept-cost": "the verdict takes it as that of teach, where it is shown: nothing is lost here",
    "explore --serve": "serves until it is stopped; tests/page/test_server.py shows what it serves, saves and refuses",
    "study --jobs": "how many processes work; the rows are equal by tests/studies/family/test_engines.py",
    "study --retry": "works again what failed; tests/cli/test_study.py has a strategy that failed",
    "study --scheduler": "where the pieces are worked; tests/studies/family/test_engines.py has a real cluster",
    "report --pdf": "needs the extra 'pdf'; tests/evidence/test_pdf.py shows the file and the refusal without it",
}
FOR_ALL = ("--json", "--memory", "--force", "--details")
FORCED = {
    "synth clear-jars --passes 2": "other.parquet",
    "import plain.csv --unit mV": "foreign.parquet",
    "inspect a.parquet --plot": "other.svg",
    "align a.parquet --plot": "other.svg",
    "label bare.parquet": "other.csv",
    "demo --draws 1": "taken/teachlab-demo.svg",
    "teach a.parquet --strategy two-sample-midpoint": "other.json",
    "design a.parquet": "other.json",
    "identify sensed.parquet --longest-ms 2": "other.json",
    "agree sensed.parquet --setting good.json --plot": "other.svg",
    "card a.parquet --setting good.json --draws 1": "other.html",
    "explore a.parquet": "other.html",
    "replay a.parquet --setting good.json --edges": "other.csv",
    "bench a.parquet --draws 2 --strategy two-sample-midpoint": "taken/bench.json",
    "study a.parquet --draws 2 --strategy two-sample-midpoint": "taken/study.json",
    "repeatability a.parquet --draws 2 --strategy two-sample-midpoint": "other.svg",
    "surface a.parquet": "other.svg",
    "stress a.parquet --setting good.json --gain 1 --ambient 0 --pedestal 0": "other.svg",
    "coverage a.parquet --cycle belt=1s": "other.svg",
    "report a.parquet --setting good.json --draws 0": "taken/result.json",
}  # fmt: skip
"""For every command that writes: a call, and where it writes (the last word is the option, unless it is --out)."""


@dataclass(frozen=True)
class Case:
    """One option: the call without it, the call with it, and what differs."""

    command: str
    option: str
    before: str
    after: str
    shown: str


def commands() -> Iterator[tuple[str, Any]]:
    """Return the words of every command, and what the parser knows of it."""
    for name in COMMANDS:
        command = command_of(name)
        inner = getattr(command, "commands", None)
        yield from [(name, command)] if inner is None else [(f"{name} {sub}", inner[sub]) for sub in inner]


def cases() -> list[Case]:
    """Read the table."""
    found, before = [], ""
    for row in filter(None, TABLE.splitlines()):
        if not row.startswith(" "):
            before = row
            continue
        option, _, rest = row.strip().partition(": ")
        words, _, shown = rest.rpartition(" | ")
        command = " ".join(shlex.split(before)[: 2 if before.startswith("surroundings") else 1])
        after = words[1:] if words.startswith("=") else f"{before} {words}"
        found.append(Case(command, option, before, after, shown))
    return found


CASES = cases()
PARSED = dict(commands())


@pytest.fixture(scope="module", autouse=True)
def _folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    folder = tmp_path_factory.mktemp("liveness")
    with pytest.MonkeyPatch.context() as patch:
        documents.files(folder)
        patch.chdir(folder)
        # The demo teaches every strategy on what ships, for a minute: here on the small line.
        patch.setattr("teachlab.cli.demo.SHOWN", ((str(folder / "a"), "a small line"),))
        _more_files()
        ran.cache_clear()
        yield
    ran.cache_clear()


def _more_files() -> None:
    truth = read_truth("a.passes.parquet")
    write_truth("few.parquet", Truth.from_arrays(truth.start[:25], truth.end[:25]))
    write_truth("late.parquet", Truth.from_arrays(truth.start + 7, truth.end + 7))
    write_setting("slow.json", Setting(unit="counts", on_level=40.0, off_level=30.0, consecutive=3))
    write_setting("half.json", Setting(unit="counts", on_level=40.0, off_level=30.0, evaluation_rate_hz=500.0))
    k = np.arange(400)
    seen = k % 100 > 80
    light = np.where(seen, 60, 10)
    columns = {
        "time": k / 1000, "light": light, "other": light + 1, "ms": k, "out": (k % 100 > 82).astype(int),
        "volts": np.where(k % 100 > 90, 4, np.where(seen, 2, 0)), "seen": seen.astype(int),
        "second": np.where(k % 100 > 83, 9, np.where(seen, 4, 0)), "steps": k, "doubles": 2 * k,
        "clock": [f"06:00:00.{i:03d}" for i in k], "day": ["2024-03-01"] * 400,
        "stamp": [f"2024-03-01 06:00:00.{i:03d}" for i in k],
    }  # fmt: skip
    _table("rich.csv", columns)
    _table("plain.csv", {"time": k[:300] / 1000, "light": light[:300]})
    _table("gap.csv", {"time": np.where(k > 200, k + 50, k) / 1000, "light": light})
    _table("odd.csv", {"when": [f"2024/02/03-06:00:00.{i:03d}" for i in k], "light": light})
    starts = np.array([81, 181, 281])
    _table("rows.csv", {"start": starts, "end": starts + 19})
    seconds = {"start": starts / 1000, "end": (starts + 19) / 1000}
    more = {"early": (starts - 2) / 1000, "late": (starts + 21) / 1000, "label": ["tin", "jar", "tin"]}
    _table("s.csv", seconds | more)
    _table("out.csv", {"start": [0.2], "end": [0.25]})
    _table("moments.csv", {"start": (starts + 9) / 1000})
    _table("mm.csv", {"start": starts, "end": starts + 19})
    _table("days.csv", {"day": np.arange(12), "level": 100 - np.arange(12) ** 1.1})
    rows = "".join(f"0,{i:03d};{10 + 50 * (i % 100 > 80)},5\n" for i in k)
    Path("foreign.csv").write_bytes(("Anlage für Gläser\nZeit;light\n" + rows).encode("latin-1"))
    book = Workbook()
    for name, count in (("one", 300), ("two", 400)):
        sheet = book.create_sheet(name)
        sheet.append(["time", "light"])
        for i in range(count):
            sheet.append([i / 1000, int(light[i])])
    book.save("book.xlsx")
    Path("criteria.toml").write_text("[[criterion]]\nmeasure = 'lost_rate'\nmax = 0.5\n")
    Path("passes.toml").write_text("[[criterion]]\nmeasure = 'passes'\nmin = 10\n")
    _table("corrected.csv", {"start": truth.start[:30], "end": truth.end[:30]})
    start = 60 + 60 * np.arange(300)
    fading = 10.0 + (np.arange(18_100) * 7 % 4)
    for n, a in enumerate(start):
        fading[a : a + 20] += 50 - n / 25
    write_recording("fading.parquet", Recording.from_array(fading, read_recording("a.parquet").info))
    write_truth(
        "fading.passes.parquet", Truth.from_arrays(start, start + 20, lot=[f"lot {n // 10}" for n in range(300)])
    )
    Path("about.toml").write_text("asset = 'Line 4'\n")
    for words in (
        "synth clear-jars --passes 40 --out line.parquet", "synth clear-jars --passes 4 --out grown.parquet",
        "report a.parquet --setting good.json --draws 0 --out kept",
        "teach line.parquet --strategy sweep-minmax --out line.json",
        "teach a.parquet --strategy two-sample-midpoint --out taught-one.json",
    ):  # fmt: skip
        shell.run(*shlex.split(words))
    shutil.copytree("kept", "other")
    Path("pictures").mkdir()
    other = Path("other/result.json")
    other.write_text(other.read_text().replace('"on_level": 40.0', '"on_level": 41.0'))


def _table(name: str, columns: dict[str, Any]) -> None:
    rows = "".join(",".join(map(str, row)) + "\n" for row in zip(*columns.values(), strict=True))
    Path(name).write_text(",".join(columns) + "\n" + rows)


@cache
def ran(words: str) -> tuple[int, str, str]:
    """Return exit code, what was printed, and what was told beside it."""
    done = shell.invoke(*shlex.split(words))
    assert done.exception is None or isinstance(done.exception, SystemExit), (words, done.exception)
    return done.exit_code, done.stdout, done.stderr


def member(words: str, path: str) -> Any:
    """Return a member of the document that a call prints; None where it has no such member."""
    code, printed, told = ran(f"{words} --json")
    assert code in (0, 1, 3), (words, told)
    value = json.loads(printed)
    for key in path.split("."):
        if isinstance(value, list):
            value = value[int(key)] if int(key) < len(value) else None
        else:
            value = (value or {}).get(key)
    return value


def written(words: str, shown: str) -> Any:
    """Return what a call wrote: a fact of the recording, of its passes, or the bytes."""
    what, file, *fields = shown.split()
    ran.__wrapped__(words)
    if what == "bytes":
        return Path(file).read_bytes()
    value = getattr(read_recording(file).info if what == "info" else read_truth(file), fields[0])
    return value.tolist() if isinstance(value, np.ndarray) else value


@pytest.mark.parametrize("case", CASES, ids=[f"{c.command} {c.option}" for c in CASES])
def test_an_option_changes_what_it_is_there_for(case: Case) -> None:
    kind, _, rest = case.shown.partition(" ")
    if kind == "refused":
        assert ran.__wrapped__(case.before)[0] in (0, 1, 3)
        code, _, told = ran.__wrapped__(case.after)
        assert code == 2
        assert rest.lower() in told.lower()
    elif kind == "made":
        assert not Path(rest).exists()
        assert ran.__wrapped__(case.after)[0] in (0, 1, 3)
        assert Path(rest).stat().st_size
    elif kind == "said":
        before, after = ran(case.before), ran(case.after)
        assert before[0] == after[0] == 0
        assert before[1] != after[1]
    elif kind in ("info", "passes", "bytes") and rest:
        assert written(case.before, case.shown) != written(case.after, case.shown)
    else:
        assert member(case.before, case.shown) != member(case.after, case.shown)


def test_no_option_is_left_out() -> None:
    named = {(case.command, case.option) for case in CASES}
    there = {
        (command, parameter.opts[0])
        for command, parsed in PARSED.items()
        for parameter in parsed.params
        if parameter.opts[0] not in FOR_ALL and f"{command} {parameter.opts[0]}" not in EXCUSED
    }
    assert not there - named, "give each of these a line in the table, or say in EXCUSED why it has none"
    assert not named - there, "these are no options"


BASES = list({case.command: case.before for case in reversed(CASES)}.items())


@pytest.mark.parametrize(("command", "words"), BASES, ids=[command for command, _ in BASES])
def test_json_details_and_memory_of_every_command(command: str, words: str, monkeypatch: pytest.MonkeyPatch) -> None:
    options = {parameter.opts[0] for parameter in PARSED[command].params}
    assert {"--json", "--memory"} <= options
    document, text = ran(f"{words} --json")[1], ran(words)[1]
    assert json.loads(document)["schema"] == 1
    assert not text.startswith("{")
    if "--details" in options:
        assert len(ran(f"{words} --details")[1]) > len(text)

    class Told(Exception):
        pass

    def memory_of(most: float | None) -> None:
        raise Told(most)

    # What a limit refuses is tested where memory is taken (tests/cli/test_memory.py): here it must arrive.
    monkeypatch.setattr("teachlab.model.memory.memory_of", memory_of)
    done = shell.invoke(*shlex.split(f"{words} --memory 2.5"))
    assert isinstance(done.exception, Told)
    assert done.exception.args == (2.5e9,)


@pytest.mark.parametrize(("words", "target"), FORCED.items(), ids=[words.split()[0] for words in FORCED])
def test_force_of_every_command_that_writes(words: str, target: str) -> None:
    place = Path(target)
    place.parent.mkdir(exist_ok=True)
    place.write_text("somebody's notes\n")
    where = place.parent if target.startswith("taken/") else place
    given = f"{words} {where}" if words.split()[-1] in ("--plot", "--edges") else f"{words} --out {where}"
    code, _, told = ran.__wrapped__(given)
    assert code == 2
    assert "--force" in told
    assert place.read_text() == "somebody's notes\n"
    assert ran.__wrapped__(f"{given} --force")[0] in (0, 1, 3)
    assert place.read_bytes() != b"somebody's notes\n"


def test_force_is_shown_for_every_command_that_has_it() -> None:
    having = {command for command, parsed in PARSED.items() if "--force" in {p.opts[0] for p in parsed.params}}
    assert having == {words.split()[0] for words in FORCED}
