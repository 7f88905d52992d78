// Draws the pictures of the page Look from the numbers of its answer. Nothing is computed here but
// where a number stands in a picture.
import { axes, line, picture, symbol, text } from "/static/picture.js";
import {
  addressOf, between, capital, headed, kindOf, level, percent, runSaid, say, settingsOf, whole, withUnit, words,
} from "/static/figures.js";
import { drawMap } from "/static/map.js";
import { drawProfile } from "/static/profile.js";
import { drawCampaign, drawDrift } from "/static/time.js";

const d3 = globalThis.d3;
const PAIR = ["grade", "recovery"];
const RUNS = [["even", say("a run")], ["failed", say("a failed run")], ["doubt", say("a doubtful run")]];
const PLANNED = [["now", say("run now, with 90 % intervals")], ["trial", say("a next trial, by its order")]];
const TITLES = { grade: say("Grade, %"), recovery: say("Recovery, %") };

// -- grade against recovery --------------------------------------------------------------------

function drawRuns(figure, look) {
  const read = look.runs.filter((run) => run.grade !== null && run.recovery !== null);
  const rest = look.runs.filter((run) => run.grade === null || run.recovery === null);
  const planned = plannedOf(look).filter((each) => each.grade.mean !== null);
  read.sort((a, b) => a.grade - b.grade || a.recovery - b.recovery);
  const legend = [...RUNS, ...(planned.length ? PLANNED : [])];
  picture(figure, {
    title: say("Grade against recovery"),
    legend,
    height: (width) => Math.round(Math.min(560, Math.max(340, 0.66 * width))) + (rest.length ? 44 : 0),
    draw({ svg, width, height, point }) {
      const strip = rest.length ? 44 : 0;
      const left = 56, right = width - 16, top = 26, bottom = height - 48 - strip;
      const extent = (name) => d3.extent([
        ...read.map((run) => run[name]),
        // A trial of which little is known has an interval that would press all runs together.
        ...planned.flatMap((each) => each.kind === "now" || !read.length
          ? [each[name].low, each[name].high] : [each[name].mean]),
        ...(name === "grade" && look.goal.min_grade !== null ? [look.goal.min_grade] : []),
      ].map((share) => 100 * share));
      const x = d3.scaleLinear(padded(extent("grade")), [left, right]);
      const y = d3.scaleLinear(padded(extent("recovery")), [bottom, top]);
      axes(svg, { x, y, left, right, top, bottom, xTitle: TITLES.grade, yTitle: TITLES.recovery, xTicks: width < 500 ? 5 : 9 });
      if (look.goal.min_grade !== null) {
        const at = x(100 * look.goal.min_grade);
        line(svg, "goal", at, top - 8, at, bottom);
        text(svg, "goal-name", at, top - 12, say("to reach: {1} %", level(Number((100 * look.goal.min_grade).toFixed(6)))), at > (left + right) / 2 ? "end" : "start");
      }
      const layer = svg.append("g");
      for (const run of read) markRun(point, layer, look, run, x(100 * run.grade), y(100 * run.recovery));
      for (const each of [...planned].reverse()) cross(svg, each, x, y);
      const over = svg.append("g");
      for (const each of planned) markPlanned(point, over, look, each, x(100 * each.grade.mean), y(100 * each.recovery.mean));
      if (rest.length) text(svg, "title", left, height - 26, say("Without both readings: {1}, the oldest first", rest.length));
      const gap = (right - left) / Math.max(rest.length, 1);
      rest.forEach((run, k) => markRun(point, layer, look, run, left + (k + 0.5) * gap, height - 10));
    },
  });
}

function padded([low, high]) {
  const more = 0.04 * (high - low) || 1;
  return [low - more, Math.min(high + more, 100.4)];
}

function plannedOf(look) {
  const trials = look.trials.map((trial) => ({ ...trial, name: say("trial {1}", trial.order), kind: "trial" }));
  return look.run_now ? [{ ...look.run_now, name: say("run now"), kind: "now" }, ...trials] : trials;
}

export function markRun(point, layer, look, run, x, y) {
  const kind = kindOf(run);
  const node = point({ x, y, layer, className: "run", name: say("run {1}", run.run_id), said: runSaid(look, run), href: addressOf(look, run.run_id) });
  node.attr("data-run", run.run_id).append("path").attr("class", kind).attr("d", symbol(kind));
}

function cross(svg, each, x, y) {
  const at = [x(100 * each.grade.mean), y(100 * each.recovery.mean)];
  const end = (scale, share) => {
    const [from, to] = scale.range(), place = scale(100 * share);
    return Math.min(Math.max(place, Math.min(from, to)), Math.max(from, to));
  };
  line(svg, `interval ${each.kind}`, end(x, each.grade.low), at[1], end(x, each.grade.high), at[1]);
  line(svg, `interval ${each.kind}`, at[0], end(y, each.recovery.low), at[0], end(y, each.recovery.high));
}

export function markPlanned(point, layer, look, each, x, y) {
  const said = [
    `${capital(each.name)}: ${each.grade.mean === null ? say("nothing is expected yet.") : say("expected grade {1}, recovery {2}.", between(each.grade), between(each.recovery))}`,
    ...(each.chance_of_grade === null ? [] : [say("Chance of the grade {1} %.", whole(each.chance_of_grade))]),
    say("At {1}.", settingsOf(look, each.settings)),
  ].join(" ");
  const node = point({ x, y, layer, className: "planned", name: each.name, said });
  node.append("path").attr("class", each.kind).attr("d", symbol(each.kind));
  if (each.kind === "trial") text(node, "order", 0, 4.5, String(each.order), "middle");
  else text(node, "now-name", x > 150 ? -12 : 12, -9, say("run now"), x > 150 ? "end" : "start");
}

// -- effects -----------------------------------------------------------------------------------

function drawEffect(figure, look) {
  const effect = look.effects.find((each) => each.setting === figure.dataset.of);
  const scales = Object.fromEntries(PAIR.map((name) => [name, commonScale(look, name)]));
  picture(figure, {
    title: say("Grade and recovery along {1}", words(effect.setting)),
    legend: [["line now-line", say("run now")], ["line limit", say("today's limits")]],
    height: () => 380,
    draw({ svg, width, height, point }) {
      const left = 56, right = width - 14, middle = 172;
      const x = d3.scaleLinear(d3.extent(effect.levels), [left, right]);
      const panels = { grade: [20, middle - 12], recovery: [middle + 12, height - 48] };
      for (const name of PAIR) {
        const [top, bottom] = panels[name], y = d3.scaleLinear(scales[name], [bottom, top]).clamp(true);
        axes(svg, {
          x, y, left, right, top, bottom, yTitle: TITLES[name], yTicks: 4, xTicks: 5,
          ...(name === "grade" ? { xFormat: () => "" } : { xTitle: headed(words(effect.setting), effect.unit) }),
        });
        const at = (end) => (value, k) => y(100 * effect[name][end][k]);
        svg.append("path").attr("class", "band").attr("d", d3.area().x((v) => x(v)).y0(at("low")).y1(at("high"))(effect.levels));
        svg.append("path").attr("class", "curve").attr("d", d3.line().x((v) => x(v)).y(at("mean"))(effect.levels));
        for (const edge of [effect.low, effect.high]) line(svg, "limit", x(edge), top, x(edge), bottom);
        line(svg, "now-line", x(effect.now), top, x(effect.now), bottom);
        if (name === "grade" && look.goal.min_grade !== null) line(svg, "goal", left, y(100 * look.goal.min_grade), right, y(100 * look.goal.min_grade));
      }
      const y = d3.scaleLinear(scales.recovery, [height - 48, middle + 12]).clamp(true);
      const layer = svg.append("g");
      effect.levels.forEach((value, k) => {
        const of = (name) => between({ mean: effect[name].mean[k], low: effect[name].low[k], high: effect[name].high[k] });
        const name = withUnit(`${words(effect.setting)} ${level(value)}`, effect.unit);
        const where = value === effect.now ? say("{1} (run now)", capital(name)) : capital(name);
        const said = say("{1}: grade {2}, recovery {3}, chance of the grade {4} %.", where, of("grade"), of("recovery"), whole(effect.chance_of_grade[k]));
        const node = point({ x: x(value), y: y(100 * effect.recovery.mean[k]), layer, className: "level", name, said });
        node.append("circle").attr("r", 2.5);
      });
    },
  });
}

// The same scale for all effects: it holds every mean, and every interval within today's limits.
function commonScale(look, name) {
  const values = [];
  for (const effect of look.effects) {
    const { low, high } = effect;
    effect.levels.forEach((value, k) => {
      values.push(effect[name].mean[k]);
      if (value >= low && value <= high) values.push(effect[name].low[k], effect[name].high[k]);
    });
  }
  return padded(d3.extent(values, (share) => 100 * share));
}

// -- calibration -------------------------------------------------------------------------------

function drawShares(figure, title, xTitle, series, least) {
  picture(figure, {
    title,
    legend: [...(series.length > 1 ? series.map(({ kind, name }) => [kind, name]) : []), ["line even-line", say("as claimed")]],
    height: (width) => Math.min(400, width) + 20,
    draw({ svg, width, height, point }) {
      const left = 56, right = width - 16, top = 16, bottom = height - 48;
      const x = d3.scaleLinear([least, 100], [left, right]), y = d3.scaleLinear([least, 100], [bottom, top]);
      axes(svg, { x, y, left, right, top, bottom, xTitle, yTitle: say("Came true, %"), xTicks: 5 });
      line(svg, "even-line", x(least), y(least), x(100), y(100));
      const layer = svg.append("g");
      const all = series.flatMap((each) => each.points.map((p) => ({ ...p, ...each, at: x(p.x) + each.shift })));
      all.sort((a, b) => a.at - b.at);
      for (const p of all) {
        line(svg, "interval trial", p.at, y(Math.max(p.low, least)), p.at, y(p.high)).lower();
        point({ x: p.at, y: y(Math.max(p.y, least)), layer, className: "share", name: p.label, said: p.said })
          .append("path").attr("class", p.kind).attr("d", symbol(p.kind));
      }
    },
  });
}

function drawIntervals(figure, look) {
  const series = [["grade", "even", -5], ["recovery", "diamond", 5]].map(([name, kind, shift]) => ({
    kind, shift, name: say(name),
    points: look.calibration.levels.map((each) => ({
      x: 100 * each.nominal, y: 100 * each[name].mean, low: 100 * each[name].low, high: 100 * each[name].high,
      label: say("{1}, intervals of {2} %", say(name), whole(each.nominal)),
      said: say("Intervals that claim {1} % of the readings of the {2} held {3} of them.", whole(each.nominal), say(name), between(each[name])),
    })),
  }));
  const least = 10 * Math.floor(d3.min(series.flatMap((each) => each.points), (p) => Math.min(p.x, p.low)) / 10);
  drawShares(figure, say("Claimed and true coverage of intervals"), say("Claimed, %"), series, least);
}

function drawChances(figure, look) {
  const found = look.calibration.chance_of_grade.bins.map((bin) => ({
    x: 100 * bin.stated, y: 100 * bin.observed, low: 100 * bin.low, high: 100 * bin.high,
    label: say("stated chance {1} %", percent(bin.stated)),
    said: say("Where a chance of {1} % was stated, {2} of {3} met the grade.", percent(bin.stated), between({ mean: bin.observed, low: bin.low, high: bin.high }), bin.n),
  }));
  drawShares(figure, say("Stated chance of the grade and how often it came true"), say("Stated chance, %"), [{ kind: "even", shift: 0, points: found }], 0);
}

// -- the page ----------------------------------------------------------------------------------

const DRAWN = {
  runs: drawRuns, effect: drawEffect, campaign: drawCampaign, drift: drawDrift,
  intervals: drawIntervals, chances: drawChances,
  profile: (figure, look) => drawProfile(figure, look, plannedOf(look)),
  map: (figure, look) => drawMap(figure, look, plannedOf(look), { markRun, markPlanned }),
};

async function draw(place) {
  const figures = place.querySelectorAll("figure[data-picture]");
  try {
    if (!d3) throw new Error(say("the library of the pictures was not loaded"));
    const answer = await fetch(place.dataset.numbers);
    if (!answer.ok) throw new Error(say("the service answered {1}", answer.status));
    const look = await answer.json();
    for (const figure of figures) DRAWN[figure.dataset.picture](figure, look);
    place.dataset.drawn = "yes";
  } catch (error) {
    for (const figure of figures) {
      const said = document.createElement("p");
      said.className = "fault";
      said.textContent = say("This picture could not be drawn: {1}. Load the page again; the numbers are in the table.", error.message);
      figure.replaceChildren(said);
    }
  }
}

const place = document.getElementById("look");
if (place) draw(place);
