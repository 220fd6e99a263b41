// The overlapped field and its CV in the browser, by the rule of patterns/overlap.py. Pure
// functions: arrays and numbers in, arrays and numbers out. A pattern is an odd number of evenly
// spaced deposits whose middle one lies on the flight line.

const SAME_STEP = 1e-6;

/** Lay a pattern on a step that divides the swath; unchanged where its own step does. */
export function onSwathSteps(deposit, stepM, swathM) {
  const ratio = swathM / stepM;
  if (Math.abs(ratio - Math.round(ratio)) < SAME_STEP) {
    return { deposit, stepM, steps: Math.round(ratio) };
  }
  const steps = Math.ceil(ratio);
  const finerM = swathM / steps;
  const middle = (deposit.length - 1) / 2;
  const half = Math.floor((middle * stepM) / finerM);
  const finer = [];
  for (let i = -half; i <= half; i += 1) finer.push(between(deposit, middle + (i * finerM) / stepM));
  return { deposit: finer, stepM: finerM, steps };
}

/** Value at a place between two entries, by a straight line. */
function between(values, at) {
  const left = Math.min(Math.max(Math.floor(at), 0), values.length - 1);
  const right = Math.min(left + 1, values.length - 1);
  return values[left] + (values[right] - values[left]) * (at - left);
}

/** One exact repeat of the field, from a flight line rightwards. */
export function onePeriod(deposit, steps, manner) {
  const middle = (deposit.length - 1) / 2;
  const backAndForth = manner === "back_and_forth";
  const length = backAndForth ? 2 * steps : steps;
  const field = new Array(length).fill(0);
  const place = (at) => ((at % length) + length) % length;
  deposit.forEach((value, index) => {
    field[place(index - middle)] += value;
    if (backAndForth) field[place(steps - (index - middle))] += value;
  });
  return field;
}

/** Population CV [%] of the overlapped deposit at a swath. */
export function cvPercent(deposit, stepM, swathM, manner) {
  const laid = onSwathSteps(deposit, stepM, swathM);
  const field = onePeriod(laid.deposit, laid.steps, manner);
  const mean = field.reduce((sum, value) => sum + value, 0) / field.length;
  const squares = field.reduce((sum, value) => sum + (value - mean) ** 2, 0) / field.length;
  return (100 * Math.sqrt(squares)) / mean;
}

/** Lines within `halfM` of the middle and their sum, in percent of the field's mean. */
export function overlappedField(deposit, stepM, swathM, manner, halfM, band) {
  const laid = onSwathSteps(deposit, stepM, swathM);
  const period = onePeriod(laid.deposit, laid.steps, manner);
  const mean = period.reduce((sum, value) => sum + value, 0) / period.length;
  const share = laid.deposit.map((value) => (100 * value) / mean);
  const middle = (share.length - 1) / 2;
  const reach = Math.ceil(halfM / laid.stepM);
  const total = new Array(2 * reach + 1).fill(0);
  const lines = [];
  const sides = Math.ceil((reach + middle) / laid.steps);
  for (let number = -sides; number <= sides; number += 1) {
    const turned = manner === "back_and_forth" && number % 2 !== 0;
    const points = [];
    for (let i = 0; i < share.length; i += 1) {
      const at = number * laid.steps + i - middle;
      if (Math.abs(at) > reach) continue;
      const value = share[turned ? share.length - 1 - i : i];
      total[at + reach] += value;
      points.push([at * laid.stepM, value]);
    }
    lines.push({ number, atM: number * swathM, turned, points });
  }
  const positionM = total.map((_, index) => (index - reach) * laid.stepM);
  const under = period.filter((value) => (100 * value) / mean < band[0]).length;
  const over = period.filter((value) => (100 * value) / mean > band[1]).length;
  return {
    positionM,
    total,
    lines,
    underPercent: (100 * under) / period.length,
    overPercent: (100 * over) / period.length,
    lowestPercent: (100 * Math.min(...period)) / mean,
    highestPercent: (100 * Math.max(...period)) / mean,
  };
}

/** Value of a curve at x, by a straight line between its points; null where there is no curve. */
export function alongCurve(xs, ys, x) {
  if (!ys) return null;
  if (x <= xs[0]) return ys[0];
  if (x >= xs[xs.length - 1]) return ys[ys.length - 1];
  const right = xs.findIndex((value) => value >= x);
  const part = (x - xs[right - 1]) / (xs[right] - xs[right - 1]);
  return ys[right - 1] + (ys[right] - ys[right - 1]) * part;
}
