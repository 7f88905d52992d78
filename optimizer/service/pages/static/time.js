// The pictures by time: the campaign, trial by trial, and drift, run by run.
import { axes, line, picture, symbol, text } from "/static/picture.js";
import { LANGUAGE, addressOf, between, clock, date, kindOf, percent, points, retold, say, sigmas } from "/static/figures.js";

const d3 = globalThis.d3;
const PAIR = ["grade", "recovery"];
const STATES = { "to run": say("open"), running: say("runs") }; // short, since trials stand close together
const TITLES = { grade: say("Grade, %"), recovery: say("Recovery, %") };
const OFF = { grade: say("Grade, points"), recovery: say("Recovery, points") };

export function drawCampaign(figure, look) {
  const trials = look.campaign.flatMap((batch) => batch.trials.map((trial) => ({ ...trial, of: batch })));
  picture(figure, {
    title: say("Each trial expected and measured, by batch"),
    least: 90 + 30 * trials.length,
    legend: [["line interval trial", say("expected, 90 %")], ["even filled", say("measured")], ["failed", say("measured on a failed deck")], ["line best", say("best so far")]],
    height: () => 460,
    draw({ svg, width, height, point }) {
      const left = 56, right = width - 16, panels = { grade: [40, 210], recovery: [236, height - 48] };
      const x = d3.scalePoint(trials.map((trial) => trial.trial), [left, right]).padding(0.7);
      const half = x.step() / 2, layer = svg.append("g");
      for (const name of PAIR) {
        const [top, bottom] = panels[name], y = d3.scaleLinear(spanOf(look, trials, name), [bottom, top]);
        axes(svg, { y, left, right, top, bottom, yTitle: TITLES[name] });
        line(svg, "frame", left, bottom, right, bottom);
        batches(svg, look, x, half, top, bottom, name === "grade");
        for (const trial of trials) {
          const at = x(trial.trial), expected = trial.expected[name];
          if (expected.mean !== null) {
            line(svg, "interval trial", at, y(100 * expected.low), at, y(100 * expected.high));
            line(svg, "interval trial", at - 7, y(100 * expected.mean), at + 7, y(100 * expected.mean));
          }
          if (name === "grade" && trial.of.min_grade !== null) line(svg, "goal", at - half, y(100 * trial.of.min_grade), at + half, y(100 * trial.of.min_grade));
        }
        if (name === "recovery") best(svg, look, x, half, y);
      }
      text(svg, "title", (left + right) / 2, height - 10, say("Trials in the order of their batches"), "middle");
      for (const trial of trials) {
        const measured = trial.measured ?? {}, name = measured.recovery === null || measured.recovery === undefined ? "grade" : "recovery";
        const [top, bottom] = panels[name], y = d3.scaleLinear(spanOf(look, trials, name), [bottom, top]);
        const value = measured[name] ?? trial.expected[name].mean ?? y.invert(bottom) / 100;
        const node = point({
          x: x(trial.trial), y: y(100 * value), layer, className: "trial-point", name: say("trial {1}", trial.trial), said: trialSaid(trial),
          href: trial.run_id ? addressOf(look, trial.run_id) : null,
        }).attr("data-trial", trial.trial);
        if (measured[name] !== null && measured[name] !== undefined) node.append("path").attr("class", trial.state === "failed" ? "failed" : "even filled").attr("d", symbol(trial.state === "failed" ? "failed" : "even"));
        else text(node, "state-name", 0, 18, STATES[trial.state] ?? say(trial.state), "middle");
        const other = name === "recovery" ? measured.grade : null;
        if (other !== null && other !== undefined) {
          const [above, below] = panels.grade, up = d3.scaleLinear(spanOf(look, trials, "grade"), [below, above]);
          svg.append("path").attr("class", trial.state === "failed" ? "failed" : "even filled").attr("d", symbol(trial.state === "failed" ? "failed" : "even"))
            .attr("transform", `translate(${x(trial.trial)},${up(100 * other)})`);
        }
      }
    },
  });
}

function spanOf(look, trials, name) {
  const values = trials.flatMap((trial) => [trial.measured?.[name], ...(trial.expected[name].mean === null ? [] : [trial.expected[name].low, trial.expected[name].high])]);
  if (name === "grade") values.push(...look.campaign.map((batch) => batch.min_grade));
  const [low, high] = d3.extent(values.filter((v) => v !== null && v !== undefined), (share) => 100 * share);
  return low === undefined ? [0, 100] : [low - 0.06 * (high - low) - 0.1, Math.min(high + 0.06 * (high - low) + 0.1, 100.4)];
}

function batches(svg, look, x, half, top, bottom, named) {
  look.campaign.forEach((batch, k) => {
    const start = x(batch.trials[0].trial) - half;
    if (k) line(svg, "frame", start, top - 14, start, bottom);
    if (named) text(svg, "name", start + 4, top - 18, batch.batch);
  });
}

function best(svg, look, x, half, y) {
  let before = null;
  for (const batch of look.campaign) {
    if (!batch.best_so_far) continue;
    const start = x(batch.trials[0].trial) - half, end = x(batch.trials.at(-1).trial) + half, at = y(100 * batch.best_so_far.recovery);
    if (before !== null) line(svg, "best", start, before, start, at);
    line(svg, "best", start, at, end, at);
    before = at;
  }
}

function trialSaid(trial) {
  const each = PAIR.map((name) => {
    const z = trial.surprise?.[name];
    const read = trial.measured?.[name] === null || trial.measured?.[name] === undefined ? say("not measured") : say("measured {1} %", percent(trial.measured[name]));
    const off = z === null || z === undefined ? [] : [say(z < 0 ? "{1} standard deviations below" : "{1} standard deviations above", sigmas(z))];
    return [say("{1} expected {2}", say(name), trial.expected[name].mean === null ? "–" : between(trial.expected[name])), read, ...off].join(", ");
  });
  return say("Trial {1}, {2}: {3}.", trial.trial, say(trial.state), each.join("; "));
}

// -- drift -------------------------------------------------------------------------------------

const moment = (clocked) => new Date(`${clocked}Z`); // a clock time of the plant, drawn as it is

// Months by their first three letters, which fit beside each other on a phone; in other languages
// than English with the day before the month.
function shortMonth(x) {
  const usual = x.tickFormat();
  if (LANGUAGE === "en") return (at) => usual(at).replace(/^([A-Z][a-z]{2})[a-z]+$/, "$1");
  const month = new Intl.DateTimeFormat(LANGUAGE, { month: "short", timeZone: "UTC" });
  return (at) => {
    if (at.getUTCHours() || at.getUTCMinutes()) return at.toISOString().slice(11, 16);
    const named = month.format(at).replace(".", "");
    if (at.getUTCDate() > 1) return `${at.getUTCDate()} ${named}`;
    return at.getUTCMonth() ? named : String(at.getUTCFullYear());
  };
}

export function drawDrift(figure, look) {
  const runs = look.runs.filter((run) => run.residual && run.clock), undated = look.runs.filter((run) => run.residual && !run.clock).length;
  const span = d3.extent(runs, (run) => moment(run.clock));
  const room = runs.length ? 0.25 * (span[1] - span[0]) : 0;
  const days = d3.groups(look.happenings, (each) => each.clock.slice(0, 10)).map(([day, all]) => ({ day, all, at: moment(`${day}T12:00`) }));
  const near = days.filter(({ at }) => runs.length && at >= span[0] - room && at <= +span[1] + room);
  const legend = [["even", say("a run")], ["doubt", say("a doubtful run")], ["failed", say("a failed run")]];
  if (near.length) legend.push(["line event", say("what happened that day, by number")]);
  const far = d3.sum(days, ({ all }) => all.length) - d3.sum(near, ({ all }) => all.length);
  if (far) legend.push(["", say("What happened far from these dates is in the table only: {1} more.", far)]);
  if (undated) legend.push(["", say("Runs without a date are in the table only: {1}.", undated)]);
  picture(figure, {
    title: say("Read minus expected by date"),
    legend,
    height: () => 440,
    draw({ svg, width, height, point }) {
      const left = 56, right = width - 16, panels = { grade: [36, 206], recovery: [228, height - 48] };
      const x = d3.scaleUtc(d3.extent([...span, ...near.map(({ at }) => at)]), [left + 8, right - 8]);
      const layer = svg.append("g");
      const scales = {};
      for (const name of PAIR) {
        const [top, bottom] = panels[name];
        const y = scales[name] = d3.scaleLinear(d3.extent([0, ...runs.map((run) => 100 * run.residual[name])]), [bottom, top]).nice();
        axes(svg, { x, y, left, right, top, bottom, yTitle: OFF[name], xTicks: width < 500 ? 4 : 8, ...(name === "grade" ? { xFormat: () => "" } : { xTitle: say("Date"), xFormat: shortMonth(x) }) });
        line(svg, "zero", left, y(0), right, y(0));
        for (const found of look.drift) {
          if (found.quantity !== name) continue;
          for (const step of found.change_points) {
            const at = x(moment(`${step.date}T00:00`));
            line(svg, "step", at, top, at, bottom);
            text(svg, "step-name", at + 4, top + 12, say("step {1}", points(step.size)));
          }
        }
      }
      near.forEach(({ day, all, at }, k) => {
        line(svg, "event", x(at), 24, x(at), panels.recovery[1]);
        const said = `${date(day)}: ${all.map((each) => retold(each.said)).join(" ")}`;
        const node = point({ x: x(at), y: 14, layer, className: "happening", name: say("what happened on {1}", date(day)), said });
        node.append("circle").attr("class", "flag").attr("r", 9);
        text(node, "flag-name", 0, 4, String(k + 1), "middle");
      });
      for (const name of PAIR) {
        for (const run of runs) {
          const told = say("Run {1}, {2}: {3} read {4} %, the others say {5} %, off by {6} points.", run.run_id, clock(run), say(name), percent(run[name]), percent(run.expected[name]), points(run.residual[name]));
          const said = run.doubt ? `${told} ${say("Doubtful.")}` : told;
          const kind = kindOf(run);
          point({ x: x(moment(run.clock)), y: scales[name](100 * run.residual[name]), layer, className: "run", name: say("run {1}, {2}", run.run_id, say(name)), said, href: addressOf(look, run.run_id) })
            .attr("data-run", run.run_id).append("path").attr("class", kind).attr("d", symbol(kind));
        }
      }
    },
  });
}
