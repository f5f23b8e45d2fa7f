"use strict";
// The collection page: sorts and filters the table, draws one earphone, computes the divider for the reader's source.
(() => {
  const $ = (id) => document.getElementById(id);
  const data = JSON.parse($("data").textContent);
  const byId = new Map(data.earphones.map((one) => [one.id, one]));
  const rows = [...$("rows").tBodies[0].rows];
  const heads = [...document.querySelectorAll("#rows th[data-key]")];
  const source = { amplifier: data.amplifier_ohm, added: data.added_ohm };
  const LOW_HZ = 20;
  const HIGH_HZ = 20000;

  // ---- Numbers ------------------------------------------------------------------------------------------------------

  const unpack = (text) => {
    const letters = atob(text);
    const bytes = new Uint8Array(letters.length);
    for (let i = 0; i < letters.length; i++) bytes[i] = letters.charCodeAt(i);
    return new Float32Array(bytes.buffer);
  };
  const openWeights = (packed) => packed && { first: packed.first, values: unpack(packed.weights) };
  const grid = (place) => {
    const found = data.grids[place];
    if (!found.f) {
      found.f = unpack(found.hz);
      found.level = openWeights(found.level);
      found.bands = found.bands.map(openWeights);
    }
    return found;
  };
  const open = (one) => {
    if (one.open) return one;
    one.open = true;
    if (one.without) one.without = { grid: grid(one.without.grid), db: unpack(one.without.db) };
    for (const found of one.conditions) {
      found.grid = grid(found.grid);
      found.change = unpack(found.change_db);
      const { f, db } = { f: one.without.grid.f, db: one.without.db };
      found.with = found.change.map((value, i) => {
        const before = found.grid === one.without.grid ? db[i] : between(f, db, found.grid.f[i]);
        return before + value + (found.level_db ?? 0);
      });
    }
    const z = one.impedance;
    if (z) {
      z.grid = grid(z.grid);
      z.re = unpack(z.real);
      z.im = unpack(z.imaginary);
      z.magnitude = z.re.map((x, i) => Math.hypot(x, z.im[i]));
      if (z.spread) {
        z.spread.low = unpack(z.spread.low_ohm);
        z.spread.high = unpack(z.spread.high_ohm);
        z.spread.values = z.spread.parts.map(unpack);
        z.spread.rest = z.spread.rest.map(unpack);
        z.spread.level = openWeights(z.spread.level);
      }
    }
    return one;
  };

  const weigh = (weights, values) => {
    if (!weights) return NaN;
    let sum = 0;
    for (let i = 0; i < weights.values.length; i++) sum += weights.values[i] * values[weights.first + i];
    return sum;
  };
  const spreadOf = (values) => {
    const known = values.filter(Number.isFinite);
    const mean = known.reduce((a, b) => a + b, 0) / known.length;
    return Math.sqrt(known.reduce((a, b) => a + (b - mean) ** 2, 0) / known.length);
  };
  const between = (f, values, at) => {
    if (!(at >= f[0] * 0.999999 && at <= f[f.length - 1] * 1.000001)) return NaN;
    let low = 0;
    let high = f.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (f[middle] <= at) low = middle; else high = middle;
    }
    const share = Math.min(Math.max(Math.log(at / f[low]) / Math.log(f[high] / f[low]), 0), 1);
    return values[low] + share * (values[high] - values[low]);
  };

  const totalOhm = () => source.amplifier + data.cable_ohm + source.added;

  const reads = (z, hz) => z.readable_high_hz === null || hz <= z.readable_high_hz * 1.00001;

  // An earphone Z behind S gets the share Z / (Z + S) of the voltage: the change from S0 to S is |Z + S0| / |Z + S|.
  const predict = (one) => {
    const z = open(one).impedance;
    if (!z) return null;
    const start = one.source_ohm;
    const end = totalOhm();
    const change = Float64Array.from(z.re, (re, i) => {
      const imaginary = z.im[i] * z.im[i];
      return 10 * Math.log10(((re + start) ** 2 + imaginary) / ((re + end) ** 2 + imaginary));
    });
    const level = weigh(z.grid.level, change);
    const tonal = change.map((value, i) => (reads(z, z.grid.f[i]) ? value - level : NaN));
    const bands = z.grid.bands.map((weights, i) => (reads(z, data.bands.high_hz[i]) ? weigh(weights, change) : NaN));
    return { grid: z.grid, change, level, bands, size: spreadOf(bands), tonal };
  };

  // To first order the change strays by -20 / ln 10 Re(D dY / (1 + D Y)), with Y = 1 / (Z + S0) and D = S - S0.
  const predictedBand = (one, predicted) => {
    const z = one.impedance;
    if (!z.spread || !z.spread.level) return null;
    const { places, values } = z.spread;
    const n = places.length;
    const more = totalOhm() - one.source_ohm;
    const factors = places.map((i) => {
      const [re, im] = [z.re[i] + one.source_ohm, z.im[i]];
      const [a, b] = [1 + (more * re) / (re * re + im * im), (-more * im) / (re * re + im * im)];
      const factor = ((-20 / Math.LN10) * more) / (a * a + b * b);
      return [factor * a, factor * b];
    });
    const [xx, yy, xy] = z.spread.rest;
    const variance = factors.map(([a, b], i) => a * a * xx[i] + b * b * yy[i] + 2 * a * b * xy[i]);
    for (const part of values) {
      const stray = factors.map(([a, b], i) => a * part[i] + b * part[n + i]);
      const level = weigh(z.spread.level, stray);
      for (let i = 0; i < n; i++) variance[i] += (stray[i] - level) ** 2;
    }
    const middle = places.map((i) => predicted.tonal[i]);
    const half = variance.map((value) => 1.96 * Math.sqrt(value));
    return {
      f: places.map((i) => z.grid.f[i]),
      low: middle.map((value, i) => value - half[i]),
      high: middle.map((value, i) => value + half[i]),
    };
  };

  // ---- Words --------------------------------------------------------------------------------------------------------

  const three = (value) => Number(value.toPrecision(3)).toString();
  const signed = (value, digits = 1) => {
    const text = Math.abs(value).toFixed(digits);
    return (value < 0 && Number(text) !== 0 ? "-" : "+") + text;
  };
  const hertz = (f) => (f >= 1000 ? `${three(f / 1000)} kHz` : `${three(f)} Hz`);
  const saySource = () => `Amplifier ${three(source.amplifier)} ohm, cable ${three(data.cable_ohm)} ohm, ` +
    `added ${three(source.added)} ohm`;

  let speaking = 0;
  const speak = (text, wait = 500) => {
    clearTimeout(speaking);
    speaking = setTimeout(() => { $("status").textContent = text; }, wait);
  };

  // ---- Table: sorting, filtering, the columns of the reader's source ------------------------------------------------

  let sorted = { key: "size", rising: false }; // as the page was written
  const collator = new Intl.Collator("en", { numeric: true });
  const cellOf = (row, key) => row.cells[heads.find((head) => head.dataset.key === key).cellIndex];
  const compare = (a, b) => {
    const [x, y] = [Number(a), Number(b)];
    return Number.isNaN(x) || Number.isNaN(y) ? collator.compare(a, b) : x === y ? 0 : x - y;
  };
  const sortBy = (key, rising) => {
    sorted = { key, rising };
    const values = new Map(rows.map((row) => [row, cellOf(row, key).dataset.value]));
    const order = rows.map((row, place) => [row, place]).sort(([a, i], [b, j]) => {
      const [x, y] = [values.get(a), values.get(b)];
      if (x === "" || y === "") return (x === "") - (y === "") || i - j; // what is not known comes last, either way
      return (rising ? 1 : -1) * compare(x, y) || i - j;
    });
    $("rows").tBodies[0].append(...order.map(([row]) => row));
    for (const head of heads) {
      if (head.dataset.key === key) head.setAttribute("aria-sort", rising ? "ascending" : "descending");
      else head.removeAttribute("aria-sort");
    }
  };
  const ordered = () => [...$("rows").tBodies[0].rows].filter((row) => !row.hidden);
  const nameOf = (head) => head.querySelector("button").textContent;
  const saySorted = () => {
    const head = heads.find((one) => one.dataset.key === sorted.key);
    return `, sorted by ${nameOf(head)}, ${sorted.rising ? "ascending" : "descending"}`;
  };

  const filters = { class: $("class"), verdict: $("verdict"), impedance: $("impedance") };
  const filter = () => {
    const wanted = $("search").value.trim().toLocaleLowerCase();
    let shown = 0;
    for (const row of rows) {
      const text = `${row.cells[0].dataset.value} ${row.cells[1].dataset.value}`.toLocaleLowerCase();
      const fits = text.includes(wanted) &&
        Object.entries(filters).every(([name, list]) => !list.value || row.dataset[name] === list.value);
      row.hidden = !fits;
      shown += fits ? 1 : 0;
    }
    $("nothing").hidden = shown > 0;
    $("count").textContent = `${shown} of ${rows.length} shown`;
    return shown;
  };
  const sayTable = () => speak(`${ordered().length} of ${rows.length} earphones shown${saySorted()}.`);

  const fillTable = () => {
    let most = null;
    for (const row of rows) {
      const one = byId.get(row.dataset.id);
      const predicted = predict(one);
      for (const [column, value, text] of [
        ["yoursize", predicted?.size, (x) => x.toFixed(2)],
        ["yourlevel", predicted?.level, (x) => signed(x)],
      ]) {
        const cell = cellOf(row, column);
        const known = Number.isFinite(value);
        cell.textContent = known ? text(value) : "–";
        cell.dataset.value = known ? value : "";
      }
      if (Number.isFinite(predicted?.size) && (!most || predicted.size > most.size)) {
        most = { size: predicted.size, name: one.name };
      }
    }
    return most ? `${saySource()}: largest predicted change ${most.size.toFixed(2)} dB, ${most.name}.`
      : `${saySource()}. No impedance is known, so nothing can be predicted.`;
  };

  // ---- Charts -------------------------------------------------------------------------------------------------------

  const svg = (name, attributes = {}, ...parts) => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    made.append(...parts);
    return made;
  };
  const html = (name, text = "", attributes = {}) => {
    const made = document.createElement(name);
    made.textContent = text;
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    return made;
  };
  const frame = { left: 52, right: 12, top: 8, bottom: 44 };
  const PROPORTIONS = [10, 20, 25, 50]; // dB per decade, IEC 60263
  const FREQUENCIES = [20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000];
  const kilo = (value) => (value >= 1000 ? `${value / 1000}k` : `${value}`);

  const runsOf = (xs, ys) => {
    const runs = [[]];
    for (let i = 0; i < ys.length; i++) {
      if (Number.isFinite(ys[i])) runs[runs.length - 1].push(i);
      else if (runs[runs.length - 1].length) runs.push([]);
    }
    return runs.filter((run) => run.length > 1);
  };
  const ticksOf = (chart, height) => {
    const [low, high] = chart.range;
    if (chart.ohm) {
      const found = [];
      for (let power = 0.1; power <= 1e5; power *= 10) {
        for (const step of [1, 2, 5]) found.push(Number((step * power).toPrecision(3)));
      }
      return found.filter((value) => value >= low * 0.999 && value <= high * 1.001);
    }
    const step = [1, 2, 5, 10, 20].find((size) => (size * height) / (high - low) >= 24) || 50;
    const ticks = [];
    for (let value = Math.ceil(low / step) * step; value <= high; value += step) ticks.push(value);
    return ticks;
  };

  const drawChart = (place, chart) => {
    const width = Math.max(280, Math.min(place.clientWidth || 640, 860));
    const inner = width - frame.left - frame.right;
    const [low, high] = chart.range;
    const extent = chart.ohm ? 20 * Math.log10(high / low) : high - low;
    const tall = (ratio) => (inner * extent) / ratio / Math.log10(HIGH_HZ / LOW_HZ);
    const ratio = PROPORTIONS.find((one) => tall(one) <= Math.max(0.42 * inner, 130)) || 50;
    const height = tall(ratio);
    const x = (f) => frame.left + (inner * Math.log(f / LOW_HZ)) / Math.log(HIGH_HZ / LOW_HZ);
    const y = (value) => frame.top +
      height * (chart.ohm ? Math.log(high / value) / Math.log(high / low) : (high - value) / (high - low));
    const inside = (value) => Math.min(Math.max(value, low), high);
    const point = (f, value) => `${x(f).toFixed(1)} ${y(inside(value)).toFixed(1)}`;
    const whole = height + frame.top + frame.bottom;
    const picture = svg("svg", { role: "img", viewBox: `0 0 ${width} ${whole.toFixed(1)}`, "aria-label": chart.alt });

    for (const f of FREQUENCIES) {
      picture.append(svg("path", { class: "grid", d: `M${x(f).toFixed(1)} ${frame.top}v${height.toFixed(1)}` }));
      if (inner > 430 || ![50, 200, 500, 2000, 5000].includes(f)) {
        const at = { x: x(f).toFixed(1), y: frame.top + height + 17, "text-anchor": "middle" };
        picture.append(svg("text", at, kilo(f)));
      }
    }
    for (const value of ticksOf(chart, height)) {
      picture.append(svg("path", { class: "grid", d: `M${frame.left} ${y(value).toFixed(1)}h${inner}` }));
      const name = chart.ohm ? kilo(value) : `${value}`.replace("-", "−");
      picture.append(svg("text", { x: frame.left - 7, y: y(value) + 4.5, "text-anchor": "end" }, name));
    }
    const proportion = chart.ohm ? `${ratio / 20} decade${ratio === 20 ? "" : "s"} of ohms` : `${ratio} dB`;
    const names = inner > 430 ? `Frequency (Hz); ${proportion} per decade (IEC 60263)` : "Frequency (Hz)";
    picture.append(
      svg("text", { x: frame.left + inner / 2, y: frame.top + height + 37, "text-anchor": "middle" }, names),
      svg("text", { x: 13, y: frame.top + height / 2, "text-anchor": "middle",
        transform: `rotate(-90 13 ${frame.top + height / 2})` }, chart.ohm ? "ohm" : "dB"),
    );
    if (chart.spans?.length) {
      const name = `${place.id}-hatch`;
      picture.append(svg("defs", {}, svg("pattern",
        { id: name, width: 8, height: 8, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
        svg("path", { class: "hatch", d: "M0 0v8" }))));
      for (const [from, to] of chart.spans) {
        const [a, b] = [x(Math.max(from, LOW_HZ)), x(Math.min(to, HIGH_HZ))];
        picture.append(svg("rect", { x: a, y: frame.top, width: b - a, height, fill: `url(#${name})`, opacity: 0.5 }));
      }
    }
    for (const band of chart.bands || []) {
      for (const run of runsOf(band.f, band.low)) {
        const up = run.map((i) => point(band.f[i], band.high[i]));
        const down = run.map((i) => point(band.f[i], band.low[i])).reverse();
        picture.append(svg("path", { class: `spread ${band.look}`, d: `M${up.join("L")}L${down.join("L")}Z` }));
      }
    }
    for (const level of chart.levels || []) {
      picture.append(svg("path", { class: "guide faint", d: `M${frame.left} ${y(level).toFixed(1)}h${inner}` }));
    }
    for (const line of chart.lines) {
      for (const run of runsOf(line.f, line.y)) {
        picture.append(svg("path",
          { class: `curve ${line.look}`, d: `M${run.map((i) => point(line.f[i], line.y[i])).join("L")}` }));
      }
    }
    picture.append(svg("rect", { class: "frame", x: frame.left, y: frame.top, width: inner, height }));

    const legend = html("ul", "", { class: "legend" });
    for (const line of chart.lines.filter((one) => one.name)) {
      const sample = svg("svg", { viewBox: "0 0 36 12", "aria-hidden": "true" },
        svg("path", { class: `curve ${line.look}`, d: "M0 6h36" }));
      const item = html("li");
      item.append(sample, line.name);
      legend.append(item);
    }
    place.replaceChildren(picture, legend, html("figcaption", chart.caption));
  };

  // ---- One earphone -------------------------------------------------------------------------------------------------

  let shown = null;
  let condition = 0;
  let reach = {};
  const fit = (name, step, curves) => {
    let [low, high] = reach[name] || [-step, step];
    for (const curve of curves) {
      for (const value of curve) {
        if (Number.isFinite(value)) { low = Math.min(low, value); high = Math.max(high, value); }
      }
    }
    reach[name] = [step * Math.floor(low / step), step * Math.ceil(high / step)]; // only grows while a slider moves
    return reach[name];
  };
  const range = (values) => {
    const known = values.filter(Number.isFinite);
    return `${signed(Math.min(...known))} to ${signed(Math.max(...known))} dB`;
  };

  const drawResponse = (one, found, predicted) => {
    const place = $("response-chart");
    const without = one.without;
    place.previousElementSibling.hidden = place.hidden = !without;
    if (!without) return;
    const lines = [{ f: without.grid.f, y: without.db, look: "ink", name: "without" }];
    if (found) {
      const name = `with ${three(found.added_ohm)} ohm, measured`;
      lines.push({ f: found.grid.f, y: found.with, look: "dashed", name });
    }
    let your = null;
    if (predicted) {
      const f = without.grid.f;
      const change = (at) => predicted.level + between(predicted.grid.f, predicted.tonal, at);
      your = Float64Array.from(f, (at, i) => without.db[i] + change(at));
      lines.push({ f, y: your, look: "third dotdash", name: "at your source, predicted" });
    }
    drawChart(place, {
      range: fit("response", 5, lines.map((line) => line.y)),
      lines,
      alt: `Response of ${one.name} without an added resistance` +
        (found ? `, with ${three(found.added_ohm)} ohm` : "") + (your ? `, and predicted at your source` : "") + ".",
      caption: "0 dB is the mean level without, 200 Hz to 2 kHz." + (found && found.level_db === null
        ? " Levels were normalised: the curve with the resistance is brought to the level of the one without." : ""),
    });
  };

  const hatched = (found) => {
    const spans = [];
    data.bands.low_hz.forEach((low, i) => {
      if (!found.judged[i] || found.readable[i]) return;
      const last = spans[spans.length - 1];
      if (last && Math.abs(last[1] / low - 1) < 1e-3) last[1] = data.bands.high_hz[i];
      else spans.push([low, data.bands.high_hz[i]]);
    });
    return spans;
  };
  const beyond = (one) => (one.impedance?.readable_high_hz ? [[one.impedance.readable_high_hz, HIGH_HZ]] : []);
  const sayBeyond = (one) => (beyond(one).length
    ? `Above ${hertz(one.impedance.readable_high_hz)} the impedance may not be read, nor what is predicted from it.`
    : "");
  const drawChange = (one, found, predicted) => {
    const place = $("change-chart");
    place.previousElementSibling.hidden = place.hidden = !found && !predicted;
    if (place.hidden) return;
    const [lines, bands, said] = [[], [], []];
    const notes = [`Dotted: no change, and the margin of ${three(data.margin_db)} dB either way.`];
    const mid = data.bands.mid_hz;
    const numbers = (list) => list.map((value) => (value === null ? NaN : value));
    if (found) {
      const [middle, half] = [numbers(found.band_db), numbers(found.half_db)];
      lines.push({ f: found.grid.f, y: found.change, look: "thin" });
      lines.push({ f: mid, y: middle, look: "thick", name: `with ${three(found.added_ohm)} ohm, measured` });
      bands.push({ f: mid, low: middle.map((m, i) => m - half[i]), high: middle.map((m, i) => m + half[i]), look: "" });
      said.push(`with ${three(found.added_ohm)} ohm ${range(middle)}`);
      notes.push("Shaded about what was measured: its 95 % interval, over all bands at once.");
      if (hatched(found).length) notes.push("Hatched: not readable at that margin.");
    }
    if (predicted) {
      const spread = predictedBand(one, predicted);
      if (spread) bands.push({ ...spread, look: "third" });
      notes.push(spread ? "Shaded about what is predicted: its 95 % interval, each frequency by itself."
        : "What is predicted has no interval, as the error of the impedance is not known.", sayBeyond(one));
      lines.push({ f: predicted.grid.f, y: predicted.tonal, look: "third dotdash", name: "at your source, predicted" });
      said.push(`predicted at your source ${range([...predicted.tonal])}`);
    }
    const curves = lines.filter((line) => line.look !== "thin").map((line) => line.y);
    drawChart(place, {
      range: fit("change", 5, curves),
      lines, bands, spans: found ? hatched(found) : beyond(one), levels: [-data.margin_db, 0, data.margin_db],
      alt: `Change of ${one.name}, level apart: ${said.join("; ")}.${found ? ` ${found.sentence}` : ""}`,
      caption: notes.filter(Boolean).join(" "),
    });
  };
  const drawImpedance = (one) => {
    const place = $("impedance-chart");
    const z = one.impedance;
    place.previousElementSibling.hidden = place.hidden = !z;
    if (!z) return;
    const bands = z.spread
      ? [{ f: z.spread.places.map((i) => z.grid.f[i]), low: z.spread.low, high: z.spread.high, look: "second" }] : [];
    const said = z.spread ? " Shaded: its 95 % interval, each frequency by itself." : "";
    const [least, most] = [Math.min(...z.magnitude), Math.max(...z.magnitude)];
    const steps = ticksOf({ ohm: true, range: [0.1, 2e5] }, 0);
    const low = [...steps].reverse().find((step) => step <= 0.95 * least) || 0.1;
    const high = steps.find((step) => step >= Math.max(1.05 * most, 4 * low)) || 2e5;
    drawChart(place, {
      ohm: true, range: [low, high],
      lines: [{ f: z.grid.f, y: z.magnitude, look: "second", name: "magnitude" }],
      bands,
      spans: beyond(one),
      alt: `Impedance of ${one.name}: ${three(least)} to ${three(most)} ohm, ${z.origin}.`,
      caption: `Magnitude, ${z.origin}.${said} ${sayBeyond(one)}`,
    });
  };

  const numbersTable = (one, found, predicted) => {
    const z = one.impedance;
    const phase = z && z.re.map((re, i) => (Math.atan2(z.im[i], re) * 180) / Math.PI);
    const text = (value, digits) => (Number.isFinite(value) ? value.toFixed(digits) : "–");
    const columns = [];
    const mid = data.bands.mid_hz;
    const at = (of, values, digits) => mid.map((f) => text(between(of.f, values, f), digits));
    if (one.without) columns.push(["without (dB)", at(one.without.grid, one.without.db, 1)]);
    if (found) {
      const name = `${three(found.added_ohm)} ohm`;
      columns.push(
        [`with ${name} (dB)`, at(found.grid, found.with, 1)],
        [`change with ${name}, level apart (dB)`, found.band_db.map((value) => text(value ?? NaN, 1))],
        ["half-width, 95 % (dB)", found.half_db.map((value) => text(value ?? NaN, 1))],
        ["readable", found.readable.map((yes) => (yes ? "yes" : ""))],
      );
    }
    if (predicted) {
      const tonal = predicted.bands.map((value) => text(value - predicted.level, 1));
      columns.push(["change at your source, level apart (dB)", tonal]);
    }
    if (z) {
      columns.push(
        ["impedance (ohm)", at(z.grid, z.magnitude, 1)],
        ["phase (degrees)", at(z.grid, phase, 0)],
      );
    }
    const head = html("tr");
    for (const name of ["Frequency (Hz)", ...columns.map(([title]) => title)]) {
      head.append(html("th", name, { scope: "col", class: "number" }));
    }
    const body = data.bands.names.map((name, i) => {
      const line = html("tr");
      line.append(html("th", name, { scope: "row", class: "number" }));
      for (const [, values] of columns) line.append(html("td", values[i], { class: "number" }));
      return line;
    });
    const [top, rest] = [html("thead"), html("tbody")];
    top.append(head);
    rest.append(...body);
    $("one-numbers").replaceChildren(html("caption", `${one.name}, third octaves. ${saySource()}.`), top, rest);
  };

  const fillOne = () => {
    const one = open(shown);
    const found = one.conditions[condition];
    const predicted = predict(one);
    drawResponse(one, found, predicted);
    drawChange(one, found, predicted);
    drawImpedance(one);
    if ($("numbers").open) numbersTable(one, found, predicted);
    return predicted && Number.isFinite(predicted.level)
      ? `${saySource()}: ${one.name} changes by ${signed(predicted.level)} dB in level and by ` +
        `${predicted.size.toFixed(2)} dB in tone (size), predicted.` + (predicted.level < -0.05
        ? ` Going back raises the level by ${Math.abs(predicted.level).toFixed(1)} dB: turn the volume down first.` : "")
      : `${saySource()}. The impedance of ${one.name} is not known well enough to predict anything.`;
  };
  const showOne = (one) => {
    shown = one;
    condition = 0;
    reach = {};
    $("one-name").textContent = one.name;
    $("one-facts").replaceChildren(...one.facts.flatMap(([name, text]) => [html("dt", name), html("dd", text)]));
    $("one-cautions").replaceChildren(...one.cautions.map((text) => html("li", text)));
    $("one-cautions").parentElement.hidden = one.cautions.length === 0;
    $("one-sheet").parentElement.hidden = !data.sheets;
    $("one-sheet").href = `${data.sheets}/${encodeURIComponent(one.file)}.html`;
    $("condition").replaceChildren(
      ...one.conditions.map((found, i) => html("option", three(found.added_ohm), { value: i })));
    $("measured-with").hidden = one.conditions.length < 2;
    const order = ordered().map((row) => row.dataset.id);
    const place = order.indexOf(one.id);
    $("previous").disabled = place <= 0;
    $("next").disabled = place < 0 || place >= order.length - 1;
  };

  // ---- Saving -------------------------------------------------------------------------------------------------------

  const csvCell = (value) => {
    if (typeof value === "number") return Number.isFinite(value) ? String(Number(value.toPrecision(8))) : "";
    const text = /^[=+\-@\t\r]/.test(value) ? `'${value}` : value; // so that no spreadsheet runs it
    return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
  };
  const save = (name, table) => {
    const text = table.map((line) => line.map(csvCell).join(",") + "\r\n").join("");
    const content = new Blob([text], { type: "text/csv" });
    const link = html("a", "", { download: `${name}.csv`, href: URL.createObjectURL(content) });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
    speak(`Saved ${name}.csv.`);
  };
  const saveOne = () => {
    const one = open(shown);
    const predicted = predict(one);
    const curves = [];
    if (one.without) curves.push(["without_db", one.without.grid.f, one.without.db]);
    for (const found of one.conditions) {
      const ohm = three(found.added_ohm);
      curves.push([`with_${ohm}ohm_db`, found.grid.f, found.with], [`change_${ohm}ohm_db`, found.grid.f, found.change]);
    }
    if (predicted) {
      const { f } = predicted.grid;
      curves.push(["impedance_real_ohm", f, one.impedance.re], ["impedance_imaginary_ohm", f, one.impedance.im],
        ["predicted_change_db", f, predicted.change], ["predicted_tonal_change_db", f, predicted.tonal]);
    }
    const key = (f) => f.toPrecision(6);
    const columns = curves.map(([, f, values]) => new Map(Array.from(f, (at, i) => [key(at), values[i]])));
    const all = new Map(curves.flatMap(([, f]) => Array.from(f, (at) => [key(at), at])));
    const lines = [...all].sort(([, a], [, b]) => a - b).map(([name, f]) => [
      one.name, source.amplifier, data.cable_ohm, source.added, f,
      ...columns.map((column) => column.get(name) ?? NaN),
    ]);
    const names = ["earphone", "amplifier_ohm", "cable_ohm", "added_ohm", "frequency_hz", ...curves.map(([name]) => name)];
    save(one.file, [names, ...lines]);
  };
  const saveTable = () => {
    const kept = heads.map((head) => head.cellIndex);
    const numbers = new Set(heads.filter((head) => head.classList.contains("number")).map((head) => head.cellIndex));
    const value = (cell, i) => {
      if (!numbers.has(i)) return cell.textContent.trim();
      if (cell.dataset.value === "Infinity") return "over 1000";
      return cell.dataset.value === "" ? NaN : Number(cell.dataset.value);
    };
    const yours = [source.amplifier, data.cable_ohm, source.added];
    save("collection", [
      [...heads.map(nameOf), "Your amplifier (ohm)", "Your cable (ohm)", "Your added (ohm)"],
      ...ordered().map((row) => [...kept.map((i) => value(row.cells[i], i)), ...yours]),
    ]);
  };

  // ---- Moving about -------------------------------------------------------------------------------------------------

  const title = document.title;
  let lastSeen = "";
  const update = () => { $("yours").textContent = shown ? fillOne() : fillTable(); };
  let waiting = false;
  const updateSoon = () => {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => {
      waiting = false;
      update();
    });
  };
  const route = (first = false) => {
    let wanted = location.hash.slice(1);
    try { wanted = decodeURIComponent(wanted); } catch { wanted = ""; }
    const one = byId.get(wanted);
    $("list").hidden = Boolean(one);
    $("one").hidden = !one;
    if (one) {
      showOne(one);
      lastSeen = one.id;
      document.title = `${one.name} – ${title}`;
      update();
      $("one-name").focus({ preventScroll: true });
      if (!first) $("main").scrollIntoView();
      return;
    }
    shown = null;
    document.title = title;
    update();
    if (sorted.key.startsWith("your")) sortBy(sorted.key, sorted.rising);
    for (const row of rows) row.classList.toggle("seen", row.dataset.id === lastSeen);
    const row = rows.find((each) => each.dataset.id === lastSeen);
    if (row && !first) {
      row.querySelector("a").focus();
      row.scrollIntoView({ block: "center" });
    }
  };
  const go = (id) => { location.hash = id; };
  const step = (by) => {
    const order = ordered().map((row) => row.dataset.id);
    const id = order[order.indexOf(shown.id) + by];
    if (id) go(id);
  };

  // ---- Controls -----------------------------------------------------------------------------------------------------

  const setSource = (name, value) => {
    if (!(value >= 0 && value <= Number($(name).max))) return;
    source[name] = value;
    $(`${name}-slider`).value = value;
    $(`${name}-slider`).setAttribute("aria-valuetext", `${three(value)} ohm`);
    if (Number($(name).value) !== value || $(name).value === "") $(name).value = value;
    updateSoon();
  };
  const settled = () => {
    if (!shown && sorted.key.startsWith("your")) sortBy(sorted.key, sorted.rising);
    requestAnimationFrame(() => requestAnimationFrame(() => speak($("yours").textContent)));
  };
  for (const name of ["amplifier", "added"]) {
    for (const id of [name, `${name}-slider`]) {
      $(id).addEventListener("input", () => { if ($(id).value !== "") setSource(name, Number($(id).value)); });
      $(id).addEventListener("change", () => {
        if ($(id).value === "" || !$(id).checkValidity()) $(id).value = source[name]; // back to what the page shows
        settled();
      });
    }
    setSource(name, source[name]);
  }
  $("own-source").addEventListener("click", () => {
    setSource("amplifier", data.amplifier_ohm);
    setSource("added", data.added_ohm);
    settled();
  });
  for (const form of [$("source"), $("filters")]) form.addEventListener("submit", (event) => event.preventDefault());
  for (const head of heads) {
    head.querySelector("button").addEventListener("click", () => {
      const { key, first } = head.dataset;
      sortBy(key, sorted.key === key ? !sorted.rising : first === "ascending");
      sayTable();
    });
  }
  for (const control of [$("search"), ...Object.values(filters)]) {
    control.addEventListener("input", () => {
      filter();
      sayTable();
    });
  }
  $("show-all").addEventListener("click", () => {
    $("search").value = "";
    for (const list of Object.values(filters)) list.value = "";
    filter();
    sayTable();
  });
  $("condition").addEventListener("change", () => {
    condition = Number($("condition").value);
    reach = {};
    update();
  });
  $("table-csv").addEventListener("click", saveTable);
  $("one-csv").addEventListener("click", saveOne);
  $("back").addEventListener("click", () => go("list"));
  $("previous").addEventListener("click", () => step(-1));
  $("next").addEventListener("click", () => step(1));
  $("numbers").addEventListener("toggle", update);
  document.querySelector(".skip").addEventListener("click", (event) => {
    event.preventDefault();
    $("main").focus();
  });
  addEventListener("hashchange", () => route());
  addEventListener("resize", () => { if (shown) updateSoon(); });

  filter();
  route(true);
})();
