// The swath slider of a result: both CVs and the overlapped field are worked out again at once.
// Without this script the form asks the server for the same picture.
import { alongCurve, cvPercent, overlappedField } from "./overlap.js";

const SHAPES = { approved: "●", due_soon: "◐", expired: "■" };
const OTHER_LINE = { one_way: "line beside it", back_and_forth: "line flown back" };
const WAYS = { one_way: "one way", back_and_forth: "back and forth" };

function start(form) {
  const data = JSON.parse(document.getElementById("slider-data").textContent);
  const range = form.querySelector("input[type=range]");
  const manner = () => form.querySelector("input[name=manner]:checked").value;
  let waiting = false;

  const redraw = () => {
    waiting = false;
    show(form, data, swathM(data, Number(range.value)), manner());
  };
  const soon = () => {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(redraw);
  };
  range.addEventListener("input", soon);
  form.addEventListener("change", soon);
  form.addEventListener("submit", (event) => event.preventDefault());
  for (const button of form.querySelectorAll("[data-by]")) {
    button.hidden = false;
    button.addEventListener("click", () => {
      // Through `value`, so that the ends of the range hold.
      range.value = String(Number(range.value) + Number(button.dataset.by));
      redraw();
    });
  }
  form.querySelector("[data-without-script]").hidden = true;
  redraw();
}

/** The swath the slider means; a recommended one lies between its steps and is met exactly. */
function swathM(data, value) {
  const meant = value * data.metres_per_unit;
  const near = (data.fine * data.metres_per_unit) / 2 + 1e-9;
  const stop = data.stops_m.find((one) => Math.abs(one - meant) <= near);
  return stop === undefined ? meant : stop;
}

function show(form, data, swath, manner) {
  const words = `${trimmed(swath / data.metres_per_unit)} ${data.unit}`;
  const said = [words];
  for (const way of Object.keys(WAYS)) said.push(showCv(form, data, swath, way));
  form.querySelector("[data-swath]").textContent = words;
  form.querySelector("output").value = said.join("; ");
  form.querySelector("input[type=range]").setAttribute("aria-valuetext", words);
  const use = form.querySelector("[data-use]");
  if (use) {
    use.href = `${use.dataset.use}?at_m=${swath.toFixed(4)}&manner=${manner}`;
    use.textContent = `Approve ${words}, ${WAYS[manner]}…`;
  }
  for (const svg of document.querySelectorAll("svg.sw-field")) drawField(svg, data, swath, manner, words);
  for (const svg of document.querySelectorAll("svg.sw-cv")) moveChosen(svg, swath);
}

function showCv(form, data, swath, way) {
  const box = form.querySelector(`[data-cv="${way}"]`);
  const cv = cvPercent(data.deposit, data.step_m, swath, way);
  const low = alongCurve(data.swaths_m, data[way].low_percent, swath);
  const high = alongCurve(data.swaths_m, data[way].high_percent, swath);
  const limit = data.limit_percent;
  let state = "approved";
  let words = `within ${limit} %`;
  if (cv > limit * (1 + 1e-9)) [state, words] = ["expired", `over ${limit} %`];
  else if (high !== null && high > limit) [state, words] = ["due_soon", `not surely within ${limit} %`];
  box.dataset.percent = String(cv);
  box.querySelector("[data-value]").textContent = cv.toFixed(1);
  box.querySelector("[data-bounds]").textContent =
    low === null ? "One pass: no bounds" : `${low.toFixed(1)} to ${high.toFixed(1)} %`;
  const mark = box.querySelector(".state");
  mark.className = `state state-${state}`;
  mark.querySelector(".shape").textContent = SHAPES[state];
  mark.lastChild.textContent = ` ${words}`;
  return `${WAYS[way]} CV ${cv.toFixed(1)} %, ${words}`;
}

function trimmed(value) {
  return String(Number(value.toFixed(1)));
}

// --- The field chart -----------------------------------------------------------------------------

function drawField(svg, data, swath, manner, words) {
  const scale = scaleOf(svg);
  const band = [Number(svg.dataset.below), Number(svg.dataset.above)];
  const field = overlappedField(data.deposit, data.step_m, swath, manner, scale.xmax, band);
  const x = field.positionM.map(scale.x);
  const put = (name, d) => pathOf(svg, name).setAttribute("d", d);
  put("sw-total", curve(x, field.total.map(scale.y)));
  put("sw-line", linesD(field, scale, 0));
  put("sw-line-other", linesD(field, scale, 1));
  put("sw-flight-lines", flightLines(field, scale));
  const under = area(x, field.total, (value) => value < band[0], band[0], scale);
  const over = area(x, field.total, (value) => value > band[1], band[1], scale);
  for (const kind of ["tint", "hatch"]) {
    put(`sw-under-${kind}`, under);
    put(`sw-over-${kind}`, over);
  }
  drawMarks(svg, data, field, scale, { swath, manner });
  tellField(svg, field, band, { manner, words });
}

function scaleOf(svg) {
  const n = (name) => Number(svg.dataset[name]);
  const [x0, x1, y0, y1] = ["x0", "x1", "y0", "y1"].map(n);
  const [xmin, xmax, ymin, ymax] = ["xmin", "xmax", "ymin", "ymax"].map(n);
  const height = y0 - y1;
  return {
    xmin,
    xmax,
    top: y1,
    bottom: y0,
    x: (value) => x0 + ((value - xmin) / (xmax - xmin)) * (x1 - x0),
    y: (value) =>
      Math.min(Math.max(y0 - ((value - ymin) / (ymax - ymin)) * height, y1 - height), y0 + height),
  };
}

/** The path of a class within the plot; made after its sample in the key where there is none. */
function pathOf(svg, name) {
  const plot = svg.querySelector("g[clip-path]");
  const there = plot.querySelector(`path.${name}`);
  if (there) return there;
  const made = document.createElementNS("http://www.w3.org/2000/svg", "path");
  const sample = svg.querySelector(`.${name}`);
  made.setAttribute("class", name);
  for (const attribute of ["fill", "fill-opacity", "stroke", "stroke-width", "stroke-dasharray"]) {
    if (sample && sample.hasAttribute(attribute)) made.setAttribute(attribute, sample.getAttribute(attribute));
  }
  plot.prepend(made);
  return made;
}

function point(x, y) {
  return `${x.toFixed(1)},${y.toFixed(1)}`;
}

function curve(xs, ys) {
  return xs.length < 2 ? "" : `M${xs.map((x, i) => point(x, ys[i])).join(" ")}`;
}

function linesD(field, scale, odd) {
  return field.lines
    .filter((line) => Math.abs(line.number % 2) === odd)
    .map((line) => {
      const there = line.points.map(([, value]) => value !== 0);
      const first = there.indexOf(true);
      if (first < 0) return "";
      const shown = line.points.slice(first, there.lastIndexOf(true) + 1);
      return curve(shown.map(([at]) => scale.x(at)), shown.map(([, value]) => scale.y(value)));
    })
    .join("");
}

function flightLines(field, scale) {
  return field.lines
    .filter((line) => line.atM >= scale.xmin && line.atM <= scale.xmax)
    .map((line) => `M${point(scale.x(line.atM), scale.top)}V${scale.bottom}`)
    .join("");
}

/** Areas between the curve and a level where `beyond` holds, each begun and ended on the level. */
function area(xs, total, beyond, level, scale) {
  const there = total.map(beyond);
  const ground = scale.y(level);
  let d = "";
  for (let i = 0; i < there.length; i += 1) {
    if (!there[i]) continue;
    let end = i;
    while (end + 1 < there.length && there[end + 1]) end += 1;
    const inside = xs.slice(i, end + 1).map((x, k) => point(x, scale.y(total[i + k])));
    const from = xs[Math.max(i - 1, 0)];
    const to = xs[Math.min(end + 1, xs.length - 1)];
    d += `M${point(from, ground)} ${inside.join(" ")} ${point(to, ground)}Z`;
    i = end;
  }
  return d;
}

// Flags of findings and arrows of direction as the server drew them, by the group that holds them.
const served = new WeakMap();

/** Flags and arrows stand at the lines: the server's own where it drew this very field. */
function drawMarks(svg, data, field, scale, { swath, manner }) {
  const flags = svg.querySelector(".sw-flags");
  const arrows = svg.querySelector(".sw-directions");
  for (const group of [flags, arrows]) {
    if (!served.has(group)) served.set(group, group.innerHTML);
    group.innerHTML = served.get(group);
  }
  if (Math.abs(Number(svg.dataset.swath) - swath) < 1e-3 && svg.dataset.manner === manner) return;
  const brackets = new Map();
  for (const kind of ["low", "high"]) brackets.set(kind, flags.querySelector(`.sw-${kind}-bracket`));
  const text = flags.querySelector("text");
  const tick = arrows.querySelector("text") || svg.querySelector("text.sw-tick");
  const under = scale.bottom + 3 + 1.4 * Number(svg.getAttribute("font-size"));
  flags.replaceChildren();
  arrows.replaceChildren();
  for (const line of field.lines) {
    if (line.atM < scale.xmin || line.atM > scale.xmax) continue;
    const back = manner === "back_and_forth" ? (line.turned ? "▾ back" : "▴ out") : "▴";
    arrows.append(lettered(tick, scale.x(line.atM), under, back));
  }
  if (!text) return;
  for (const line of field.lines) {
    for (const finding of data.findings) flag(flags, scale, line, finding, text, brackets.get(finding.kind));
  }
}

function flag(group, scale, line, finding, text, bracket) {
  const side = line.turned ? -1 : 1;
  const ends = [finding.from_m, finding.to_m].map((end) => line.atM + side * end).sort((a, b) => a - b);
  const middle = line.atM + side * finding.centre_m;
  if (middle < scale.xmin || middle > scale.xmax) return;
  const mark = finding.kind === "low" ? "▼" : "▲";
  group.append(lettered(text, scale.x(middle), scale.top - 8, `${mark} ${finding.letter}`));
  if (!bracket) return;
  const made = bracket.cloneNode();
  const [left, right] = ends.map((end) => scale.x(Math.min(Math.max(end, scale.xmin), scale.xmax)).toFixed(1));
  made.setAttribute("d", `M${left},${scale.top + 4}V${scale.top - 2}H${right}V${scale.top + 4}`);
  group.append(made);
}

/** A text like a sample, with its middle at x. */
function lettered(sample, x, y, words) {
  const made = sample.cloneNode();
  made.setAttribute("x", x.toFixed(1));
  made.setAttribute("y", y.toFixed(1));
  made.setAttribute("text-anchor", "middle");
  made.textContent = words;
  return made;
}

/** Words in the drawing follow the swath. */
function tellField(svg, field, band, { manner, words }) {
  for (const label of svg.querySelectorAll("text.sw-label")) {
    if (!Object.values(OTHER_LINE).includes(label.textContent)) continue;
    label.textContent = OTHER_LINE[manner];
  }
  const title = `Field at a swath of ${words}, ${WAYS[manner]}`;
  const heading = svg.querySelector(".sw-heading");
  if (heading) heading.textContent = title;
  svg.querySelector("title").textContent = title;
  const summary =
    `${field.underPercent.toFixed(0)} % of the field lies under ${band[0]} % of the mean, ` +
    `${field.overPercent.toFixed(0)} % over ${band[1]} %; lowest ${field.lowestPercent.toFixed(0)} %, ` +
    `highest ${field.highestPercent.toFixed(0)} %.`;
  svg.querySelector("desc").textContent = summary;
  for (const row of svg.querySelectorAll(".sw-summary")) row.setAttribute("visibility", "hidden");
  const below = document.querySelector("[data-field-words]");
  if (below) below.textContent = summary;
}

/** The swath that stands in the slider, as an upright line across the curves. */
function moveChosen(svg, swath) {
  const scale = scaleOf(svg);
  let line = svg.querySelector("line.sw-chosen");
  if (!line) {
    line = document.createElementNS("http://www.w3.org/2000/svg", "line");
    line.setAttribute("class", "sw-chosen");
    line.setAttribute("stroke", "currentColor");
    line.setAttribute("stroke-width", "2");
    line.setAttribute("y1", scale.top);
    line.setAttribute("y2", scale.bottom);
    svg.append(line);
  }
  const x = scale.x(swath).toFixed(1);
  line.setAttribute("x1", x);
  line.setAttribute("x2", x);
  line.setAttribute("visibility", swath >= scale.xmin && swath <= scale.xmax ? "visible" : "hidden");
}

const slider = document.querySelector("[data-slider]");
if (slider) start(slider);
