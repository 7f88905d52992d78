// How figures and runs are written in pictures: as in the tables of the page.
export const percent = (share) => (share === null || share === undefined ? "–" : (100 * share).toFixed(1));
export const points = (share) => (100 * share).toFixed(2);
export const whole = (share) => (share === null ? "–" : String(Math.floor(100 * share + 1e-9)));
export const words = (name) => name.replace(/_([1-9]\d*)$/, " gate $1").replaceAll("_", " ");
export const level = (value) => (value === null ? "–" : String(Number(value.toPrecision(10))));
export const between = (ends) => `${percent(ends.mean)} (${percent(ends.low)} to ${percent(ends.high)}) %`;
export const clock = (run) => (run.clock === null ? "undated" : run.clock.replace("T", " "));

export function settingsOf(look, values) {
  const wholes = new Map(); // the gates of a setting together
  for (const { name, unit } of look.settings) {
    const whole = name.replace(/_[1-9]\d*$/, ""), found = wholes.get(whole) ?? { unit, levels: [], gates: whole !== name };
    wholes.set(whole, found).get(whole).levels.push(level(values[name]));
  }
  return [...wholes].map(([whole, { unit, levels, gates }]) =>
    `${words(whole)} ${levels.join(" / ")}${unit ? ` ${unit}` : ""}${gates ? ` at gates 1 to ${levels.length} from the feed end` : ""}`).join(", ");
}

export function kindOf(run) {
  return run.state !== "even" ? "failed" : run.doubt ? "doubt" : "even";
}

// What a run tells: its time, readings, settings, and why it is set apart.
export function runSaid(look, run) {
  const read = run.grade === null && run.recovery === null ? "no reading" : `grade ${percent(run.grade)} %, recovery ${percent(run.recovery)} %`;
  const failed = run.state === "even" ? "" : ` Failed: the deck was ${run.state}.`;
  const doubt = run.doubt ? ` Doubtful: ${run.doubt}.` : "";
  return `Run ${run.run_id}, ${clock(run)}: ${read}.${failed}${doubt} At ${settingsOf(look, run.settings)}.`;
}

// The page of a run. Browsers drop a path of dots, so such an id stands in the query.
export function addressOf(look, id) {
  const path = id === "." || id === ".." ? `?run_id=${id}&` : `${encodeURIComponent(id)}?`;
  return `/runs/${path}line=${encodeURIComponent(look.line)}`;
}
