// How figures, dates and runs are written in pictures: as in the tables of the page, in its
// language, and in the plant's own words.
const TEXTS = globalThis.TEXTS ?? { decimal: ".", date: "", said: {} }; // see assets.py
const page = JSON.parse(document.getElementById("look")?.dataset.told ?? '{"names":{},"said":{},"units":{},"places":{}}');
export const LANGUAGE = document.documentElement.lang;

// A text in the language of the page; {1} stands for the first value.
export const say = (text, ...values) =>
  (TEXTS.said[text] ?? text).replace(/\{(\d)\}/g, (_, number) => values[number - 1]);
// A sentence of the answer, which is in English.
export const retold = (sentence) => page.said[sentence] ?? sentence;
export const capital = (text) => text[0].toUpperCase() + text.slice(1);

const local = (figure) => figure.replace(".", TEXTS.decimal);
export const percent = (share) => (share === null || share === undefined ? "–" : local((100 * share).toFixed(1)));
export const points = (share) => local((100 * share).toFixed(2));
export const sigmas = (z) => local(Math.abs(z).toFixed(1));
export const whole = (share) => (share === null ? "–" : String(Math.floor(100 * share + 1e-9)));
export const words = (name) => page.names[name] ?? name.replace(/_([1-9]\d*)$/, " gate $1").replaceAll("_", " ");
export const place = (name) => page.places[name] ?? name.replace("_", " ");
export const level = (value) => (value === null ? "–" : local(String(Number(value.toPrecision(10)))));
export const between = (ends) => say("{1} ({2} to {3}) %", percent(ends.mean), percent(ends.low), percent(ends.high));
export const withUnit = (told, unit) => (unit ? `${told} ${page.units[unit] ?? unit}` : told);
export const headed = (told, unit) => (unit ? `${told}, ${page.units[unit] ?? unit}` : told);

// A date, or a date and a clock time after it, as the reader writes them.
export function date(iso) {
  const [, year, month, day, rest] = iso.match(/^(\d+)-(\d\d)-(\d\d)(.*)$/);
  const told = TEXTS.date ? TEXTS.date.replace("{day}", day).replace("{month}", month).replace("{year}", year) : `${year}-${month}-${day}`;
  return told + rest.replace("T", " ");
}
export const clock = (run) => (run.clock === null ? say("undated") : date(run.clock));

export function settingsOf(look, values) {
  const wholes = new Map(); // the gates of a setting together
  for (const { name, unit } of look.settings) {
    const whole = name.replace(/_[1-9]\d*$/, ""), found = wholes.get(whole) ?? { unit, levels: [], gates: whole !== name };
    wholes.set(whole, found).get(whole).levels.push(level(values[name]));
  }
  return [...wholes].map(([whole, { unit, levels, gates }]) => {
    const told = withUnit(`${words(whole)} ${levels.join(" / ")}`, unit);
    return gates ? say("{1} at gates 1 to {2} from the {3}", told, levels.length, place("feed_end")) : told;
  }).join(", ");
}

export function kindOf(run) {
  return run.state !== "even" ? "failed" : run.doubt ? "doubt" : "even";
}

// What a run tells: its time, readings, settings, and why it is set apart.
export function runSaid(look, run) {
  const read = run.grade === null && run.recovery === null ? say("no reading") : say("grade {1} %, recovery {2} %", percent(run.grade), percent(run.recovery));
  return [
    say("Run {1}, {2}: {3}.", run.run_id, clock(run), read),
    ...(run.state === "even" ? [] : [say("Failed: the deck was {1}.", say(run.state))]),
    ...(run.doubt ? [say("Doubtful: {1}.", retold(run.doubt))] : []),
    say("At {1}.", settingsOf(look, run.settings)),
  ].join(" ");
}

// The page of a run. Browsers drop a path of dots, so such an id stands in the query.
export function addressOf(look, id) {
  const path = id === "." || id === ".." ? `?run_id=${id}&` : `${encodeURIComponent(id)}?`;
  return `/runs/${path}line=${encodeURIComponent(look.line)}`;
}
