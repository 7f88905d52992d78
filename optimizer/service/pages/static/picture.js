// A picture whose points tell what they stand for: when pointed at, tapped or focused. A picture is
// one tab stop; arrow keys move from point to point, and Enter opens the page of a run.
import { LANGUAGE, say } from "/static/figures.js";

const d3 = globalThis.d3;
if (LANGUAGE !== "en") d3?.formatDefaultLocale({ decimal: globalThis.TEXTS.decimal, thousands: "\u00a0", grouping: [3], currency: ["", ""] });
const NEAR = 32; // pixels from a point within which pointing or tapping finds it
const KEYS = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1, PageDown: 10, PageUp: -10 };
const SYMBOLS = {
  even: d3?.symbolCircle, failed: d3?.symbolTimes, doubt: d3?.symbolTriangle,
  diamond: d3?.symbolDiamond, now: d3?.symbolCircle, trial: d3?.symbolCircle,
};
const SIZES = { even: 34, failed: 50, doubt: 60, diamond: 60, now: 170, trial: 260 };

// The outline of a symbol around 0, 0.
export function symbol(kind) {
  return d3.symbol(SYMBOLS[kind], SIZES[kind])();
}

// Draws a picture into its figure, again whenever its width changes.
//
// title: what the picture shows. height: of its width, in pixels. draw(board): draws, and gives each
// point to board.point. legend: pairs of a kind of symbol and what it stands for.
export function picture(figure, { title, height, draw, legend = [], least = 0 }) {
  const frame = d3.select(figure);
  const pane = frame.append("div").attr("class", "pane");
  const svg = pane.append("svg").attr("role", "group").attr("aria-label", say("{1}. Arrow keys move from point to point.", title));
  const box = pane.append("div").attr("class", "box").attr("aria-hidden", "true").attr("hidden", "");
  const told = frame.append("p").attr("class", "telling").attr("aria-live", "polite");
  told.text(say("Point at, tap or focus a point."));
  if (legend.length) key(frame, legend);
  let points = [], at = 0, drawn = 0, find = null, ring = null, held = false;

  function redraw() {
    const width = Math.max(Math.floor(figure.clientWidth), least, 260);
    if (width === drawn || !figure.clientWidth) return;
    const focused = svg.node().contains(document.activeElement);
    drawn = width;
    points = [];
    svg.selectAll("*").remove();
    const tall = height(width);
    svg.attr("viewBox", `0 0 ${width} ${tall}`).attr("width", width).attr("height", tall);
    draw({ svg, width, height: tall, point });
    ring = svg.append("circle").attr("class", "ring").attr("r", 11).attr("hidden", "");
    at = Math.min(at, points.length - 1);
    points.forEach((p, k) => p.node.attr("tabindex", k === at ? 0 : -1).attr("data-point", k));
    find = points.length ? d3.Delaunay.from(points, (p) => p.x, (p) => p.y) : null;
    if (focused) points[at]?.node.node().focus({ preventScroll: true });
  }

  // Adds a point. node: its element. said: what it tells. href: the page that Enter opens.
  function point({ x, y, name, said, href, layer, className = "" }) {
    const node = layer.append(href ? "a" : "g").attr("class", `point ${className}`);
    node.attr("aria-label", name).attr("transform", `translate(${x},${y})`);
    if (href) node.attr("href", href);
    else node.attr("role", "img");
    points.push({ x, y, node, said, href });
    return node;
  }

  // Shows the box of a point. Held, it stays until the mouse is away from it, is read aloud, and
  // offers the page of the run.
  function show(k, hold) {
    const p = points[k], here = points.filter((q) => q !== p && q.x === p.x && q.y === p.y).length;
    const said = here ? `${p.said} ${say("{1} more at this place: arrow keys move through them.", here)}` : p.said;
    held = hold;
    ring.attr("hidden", null).attr("cx", p.x).attr("cy", p.y);
    box.attr("hidden", null).selectAll("*").remove();
    box.append("span").text(said);
    if (hold && p.href) box.append("a").attr("href", p.href).attr("tabindex", -1).text(say("Open the run"));
    if (hold && told.text() !== said) told.text(said);
    // The box stays inside the picture, to the side where there is more room.
    const node = box.node(), room = pane.node();
    const left = p.x > drawn / 2 ? p.x - node.offsetWidth - 14 : p.x + 14;
    const most = Math.max(0, room.scrollWidth - node.offsetWidth);
    node.style.left = `${Math.min(Math.max(left, 0), most)}px`;
    node.style.top = `${Math.max(0, p.y - node.offsetHeight / 2)}px`;
  }

  function hide() {
    held = false;
    box.attr("hidden", "");
    ring?.attr("hidden", "");
  }

  function nearest(event) {
    if (!find) return -1;
    const [x, y] = d3.pointer(event, svg.node());
    const k = find.find(x, y);
    return Math.hypot(points[k].x - x, points[k].y - y) <= NEAR ? k : -1;
  }

  // Whether the mouse is on its way from a held point to the link in the box beside it.
  function besideBox({ clientX, clientY }) {
    const { left, right, top, bottom } = box.node().getBoundingClientRect();
    return clientX > left - 24 && clientX < right + 24 && clientY > top - 24 && clientY < bottom + 24;
  }

  function moveTo(k) {
    points[at].node.attr("tabindex", -1);
    at = k;
    points[at].node.attr("tabindex", 0).node().focus();
    show(at, true); // also where it had the focus already
  }

  svg.on("keydown", (event) => {
    const last = points.length - 1;
    let to = event.key === "Home" ? 0 : event.key === "End" ? last : null;
    if (event.key in KEYS) to = Math.min(Math.max(at + KEYS[event.key], 0), last);
    if (event.key === "Escape") hide();
    if (to === null || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    moveTo(to);
  });
  svg.on("focusin", (event) => {
    const k = points.findIndex((p) => p.node.node() === event.target);
    if (k < 0) return;
    points[at].node.attr("tabindex", -1);
    at = k;
    points[at].node.attr("tabindex", 0);
    show(k, true);
  });
  pane.on("focusout", (event) => {
    if (!pane.node().contains(event.relatedTarget)) hide();
  });
  svg.on("pointermove", (event) => {
    if (event.pointerType === "touch" || (held && besideBox(event))) return;
    const k = nearest(event);
    if (k >= 0) show(k, false);
  });
  pane.on("pointerleave", (event) => {
    if (event.pointerType === "touch") return;
    if (svg.node().contains(document.activeElement)) show(at, true);
    else hide();
  });
  // A tap or click tells the point and offers its page; a key that opens a link opens it.
  svg.on("click", (event) => {
    if (event.detail === 0 || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    const k = nearest(event);
    if (k < 0) hide();
    else moveTo(k);
  });
  new ResizeObserver(redraw).observe(figure);
  redraw();
}

// A legend: what each symbol stands for; an entry without a symbol is a remark.
function key(frame, entries) {
  const list = frame.append("ul").attr("class", "key");
  for (const [kind, text] of entries) {
    const entry = list.append("li");
    if (!kind) {
      entry.text(text);
      continue;
    }
    const mark = entry.append("svg").attr("width", 22).attr("height", 22).attr("viewBox", "-11 -11 22 22").attr("aria-hidden", "true");
    if (kind.startsWith("line ")) mark.append("line").attr("class", kind.slice(5)).attr("x1", -10).attr("x2", 10);
    else if (kind === "hatch") mark.append("rect").attr("x", -10).attr("y", -7).attr("width", 20).attr("height", 14).attr("fill", "url(#hatch)").attr("class", "framed");
    else mark.append("path").attr("class", kind).attr("d", symbol(kind.split(" ")[0]));
    entry.append("span").text(text);
  }
}

// Draws the axes of a panel, with titles that state units. x or y may be left out.
export function axes(layer, { x, y, left, right, top, bottom, xTitle = "", yTitle = "", xTicks = 6, yTicks = 5, xFormat = null }) {
  if (x) {
    const axis = d3.axisBottom(x).ticks(xTicks).tickSizeOuter(0);
    if (xFormat) axis.tickFormat(xFormat);
    layer.append("g").attr("class", "axis").attr("aria-hidden", "true").attr("transform", `translate(0,${bottom})`).call(axis);
    if (xTitle) layer.append("text").attr("class", "title").attr("x", (left + right) / 2).attr("y", bottom + 36).attr("text-anchor", "middle").text(xTitle);
  }
  if (y) {
    layer.append("g").attr("class", "axis").attr("aria-hidden", "true").attr("transform", `translate(${left},0)`).call(d3.axisLeft(y).ticks(yTicks).tickSizeOuter(0));
    layer.append("text").attr("class", "title").attr("transform", `translate(${left - 40},${(top + bottom) / 2}) rotate(-90)`).attr("text-anchor", "middle").text(yTitle);
  }
}

export function line(layer, className, x1, y1, x2, y2) {
  return layer.append("line").attr("class", className).attr("x1", x1).attr("y1", y1).attr("x2", x2).attr("y2", y2);
}

export function text(layer, className, x, y, said, anchor = "start") {
  return layer.append("text").attr("class", className).attr("x", x).attr("y", y).attr("text-anchor", anchor).text(said);
}
