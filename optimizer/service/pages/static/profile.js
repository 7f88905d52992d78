// The gates of a setting along the deck: today's limits, the runs, the settings to run now and the
// next trials.
import { axes, line, picture, symbol, text } from "/static/picture.js";
import { capital, headed, level, place, say, settingsOf, withUnit, words } from "/static/figures.js";

const d3 = globalThis.d3;

export function drawProfile(figure, look, planned) {
  const whole = figure.dataset.of, gates = look.settings.filter((each) => each.name.replace(/_[1-9]\d*$/, "") === whole);
  const unit = gates[0].unit, read = look.runs.filter((run) => gates.every(({ name }) => run.settings[name] !== null));
  picture(figure, {
    title: say("{1} along the deck", capital(words(whole))),
    legend: [["line limit-bar", say("today's limits")], ["line tried", say("as run")], ["now", say("run now")], ["trial", say("a next trial, by its order")]],
    height: (width) => Math.round(Math.min(460, Math.max(320, 0.5 * width))),
    draw({ svg, width, height, point }) {
      const left = 56, right = width - 16, top = 16, bottom = height - 48;
      const x = d3.scaleLinear([0.5, gates.length + 0.5], [left, right]);
      const values = planned.flatMap((each) => gates.map(({ name }) => each.settings[name]));
      const y = d3.scaleLinear(d3.extent([...values, ...gates.flatMap(({ low, high }) => [low, high])]), [bottom, top]).nice();
      const numbers = d3.range(1, gates.length + 1);
      gates.forEach(({ low, high }, k) => line(svg, "limit-bar", x(k + 1), y(low), x(k + 1), y(high)));
      axes(svg, { x, y, left, right, top, bottom, xTicks: gates.length, xFormat: (k) => (numbers.includes(k) ? String(k) : ""),
        xTitle: width < 500 ? say("Gate, from the {1}", place("feed_end")) : say("Gate, from the {1} to the {2}", place("feed_end"), place("discharge_end")), yTitle: headed(words(whole), unit) });
      const path = (settings) => d3.line()(gates.map(({ name }, k) => [x(k + 1), y(settings[name])]));
      const below = svg.append("g").attr("aria-hidden", "true");
      for (const run of read) below.append("path").attr("class", "tried").attr("d", path(run.settings));
      for (const each of planned) below.append("path").attr("class", `profile ${each.kind}`).attr("d", path(each.settings));
      const layer = svg.append("g");
      gates.forEach(({ name }, k) => planned.forEach((each, number) => {
        // Each trial is numbered at one gate, as numbers would hide each other.
        const marked = each.kind === "now" || number % gates.length === k;
        const node = point({ x: x(k + 1), y: y(each.settings[name]), layer, className: "planned", name: `${each.name}, ${words(name)}`,
          said: `${capital(each.name)}: ${withUnit(`${words(name)} ${level(each.settings[name])}`, unit)}. ${say("At {1}.", settingsOf(look, each.settings))}` });
        if (marked) node.append("path").attr("class", each.kind).attr("d", symbol(each.kind));
        else node.append("circle").attr("class", "at-gate").attr("r", 3);
        if (marked && each.kind === "trial") text(node, "order", 0, 4.5, String(each.order), "middle");
      }));
    },
  });
}
