// How figures and runs are written in pictures: as in the tables of the page.
export const percent = (share) => (share === null || share === undefined ? "–" : (100 * share).toFixed(1));
export const points = (share) => (100 * share).toFixed(2);
export const whole = (share) => (share === null ? "–" : String(Math.floor(100 * share + 1e-9)));
export const words = (name) => name.replaceAll("_", " ");
export const level = (value) => (value === null ? "–" : String(Number(value.toPrecision(10))));
export const between = (ends) => `${percent(ends.mean)} (${percent(ends.low)} to ${percent(ends.high)}) %`;
export const clock = (run) => (run.clock === null ? "undated" : run.clock.replace("T", " "));

export function settingsOf(look, values) {
  return look.settings
    .map(({ name, unit }) => `${words(name)} ${level(values[name])}${unit ? ` ${unit}` : ""}`)
    .join(", ");
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
