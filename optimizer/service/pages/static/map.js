// The map of two settings: expected recovery, the region that is less sure of the grade, the runs.
import { axes, picture, text } from "/static/picture.js";
import { headed, level, percent, say, whole, words } from "/static/figures.js";

const d3 = globalThis.d3;
const STEPS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20]; // points of recovery between two lines
const MOST_LINES = 7;

export function drawMap(figure, look, planned, { markRun, markPlanned }) {
  const map = look.map, unit = (name) => look.settings.find((each) => each.name === name)?.unit;
  const named = (name) => headed(words(name), unit(name));
  const runs = [...look.runs].filter((run) => run.settings[map.x] !== null && run.settings[map.y] !== null);
  runs.sort((a, b) => a.settings[map.x] - b.settings[map.x] || a.settings[map.y] - b.settings[map.y]);
  const flat = map.recovery.flat().map((share) => 100 * share), [least, most] = d3.extent(flat);
  picture(figure, {
    title: say("Expected recovery over {1} and {2}", words(map.x), words(map.y)),
    legend: [
      ["even", say("a run")], ["failed", say("a failed run")], ["doubt", say("a doubtful run")], ["now", say("run now")],
      ["trial", say("a next trial, by its order")], ["hatch", say("less sure of the grade than asked")],
      ["line sure", say("edge of the sure region")], ["line contour", say("equal recovery, %")],
    ],
    height: (width) => Math.round(Math.min(560, Math.max(340, 0.72 * width))),
    draw({ svg, width, height, point }) {
      const left = 56, right = width - 16, top = 12, bottom = height - 48;
      const x = d3.scaleLinear(d3.extent(map.x_levels), [left, right]);
      const y = d3.scaleLinear(d3.extent(map.y_levels), [bottom, top]);
      cells(svg, map, x, y, (share) => (100 * share - least) / (most - least || 1));
      const surface = svg.append("g").attr("aria-hidden", "true");
      hatch(svg);
      const chance = map.chance_of_grade.flat(), at = position(map, x, y);
      const sure = d3.contours().size([map.x_levels.length, map.y_levels.length]).contour(chance, look.goal.confidence);
      const dots = runs.map((run) => [x(run.settings[map.x]), y(run.settings[map.y])]);
      const frame = `M${left},${top}H${right}V${bottom}H${left}Z`;
      surface.append("path").attr("class", "unsure").attr("fill", "url(#hatch)").attr("fill-rule", "evenodd").attr("d", frame + outline(sure, at));
      surface.append("path").attr("class", "sure").attr("d", outline(sure, at));
      const step = STEPS.find((each) => (most - least) / each <= MOST_LINES) ?? 20;
      for (const value of d3.range(Math.ceil(least / step) * step, most, step)) {
        const found = d3.contours().size([map.x_levels.length, map.y_levels.length]).contour(flat, value);
        surface.append("path").attr("class", "contour").attr("d", outline(found, at));
        name(surface, found, at, level(Number(value.toFixed(6))), [left, right, top, bottom], dots);
      }
      axes(svg, { x, y, left, right, top, bottom, xTitle: named(map.x), yTitle: named(map.y), xTicks: 7, yTicks: 7 });
      const layer = svg.append("g");
      for (const run of runs) markRun(point, layer, look, run, x(run.settings[map.x]), y(run.settings[map.y]));
      const over = svg.append("g");
      for (const each of planned) markPlanned(point, over, look, each, x(each.settings[map.x]), y(each.settings[map.y]));
    },
  });
}

// One rectangle for each pair of levels, from halfway to the levels below to halfway to those above.
function cells(svg, map, x, y, shade) {
  const edges = (levels, scale) => {
    const middles = d3.pairs(levels, (a, b) => scale((a + b) / 2));
    return [scale(levels[0]), ...middles, scale(levels.at(-1))];
  };
  const across = edges(map.x_levels, x), up = edges(map.y_levels, y);
  const layer = svg.append("g").attr("class", "cells").attr("shape-rendering", "crispEdges").attr("aria-hidden", "true");
  map.recovery.forEach((row, j) => row.forEach((share, i) => {
    const cell = layer.append("rect").attr("x", across[i]).attr("y", up[j + 1]);
    cell.attr("width", across[i + 1] - across[i] + 0.3).attr("height", up[j] - up[j + 1] + 0.3);
    cell.node().style.fill = `color-mix(in srgb, var(--act) ${Math.round(8 + 62 * shade(share))}%, var(--sheet))`;
    cell.append("title").text(say("{1} {2}, {3} {4}: expected recovery {5} %, chance of the grade {6} %", words(map.x), level(map.x_levels[i]), words(map.y), level(map.y_levels[j]), percent(share), whole(map.chance_of_grade[j][i])));
  }));
}

// From numbers of levels, which contours count from one half, to places in the picture.
function position(map, x, y) {
  const of = (levels) => d3.scaleLinear(d3.range(levels.length), levels).clamp(true);
  const across = of(map.x_levels), up = of(map.y_levels);
  return ([i, j]) => [x(across(i - 0.5)), y(up(j - 0.5))];
}

function outline(contour, at) {
  return contour.coordinates.flat().map((ring) => `M${ring.map((p) => at(p).map((v) => v.toFixed(1)).join(",")).join("L")}Z`).join("");
}

// The value of a contour, on it at the place farthest from the runs and away from the frame.
function name(layer, contour, at, said, [left, right, top, bottom], dots) {
  const places = contour.coordinates.flat(2).map(at);
  const inside = places.filter(([x, y]) => x > left + 24 && x < right - 24 && y > top + 14 && y < bottom - 14);
  const room = ([x, y]) => d3.min(dots, ([a, b]) => Math.hypot(a - x, b - y)) ?? 0;
  const place = d3.greatest(inside, (a, b) => d3.ascending(room(a), room(b)));
  if (place) text(layer, "contour-name", ...place, said, "middle");
}

function hatch(svg) {
  const pattern = svg.append("defs").append("pattern").attr("id", "hatch").attr("width", 8).attr("height", 8);
  pattern.attr("patternUnits", "userSpaceOnUse").attr("patternTransform", "rotate(45)");
  pattern.append("line").attr("class", "hatch").attr("y2", 8);
}
