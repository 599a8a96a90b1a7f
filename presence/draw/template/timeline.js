// --- room by time ---------------------------------------------------------------------------------------------------
const HOUR = 3600000;
const SPANS = [["whole log", Infinity], ["a week", 168 * HOUR], ["a day", 24 * HOUR], ["six hours", 6 * HOUR], ["an hour", HOUR]];
const ROW = 28, PERSON_ROW = 34;
let rows = [], shownFrom = 0, shownTo = 0;

function buildRows(state, choose) {
  const holder = document.getElementById("rows");
  holder.replaceChildren();
  rows = [];
  const add = (kind, index, name, height) => {
    const row = make("div", { class: `row ${kind}` }, holder);
    const room = kind.startsWith("room"), label = make(room ? "button" : "div", { class: "row-name" }, row);
    if (room) {
      label.type = "button";
      make("span", { class: "number" }, label, String(index + 1));
      label.addEventListener("click", () => choose(index));
    }
    if (kind === "lane") drawMark(make("svg", { width: 20, height: 20, viewBox: "-10 -10 20 20", "aria-hidden": "true" }, label), index, 0, 0, 8);
    make("span", { class: "label", title: name }, label, name);
    const value = make("span", { class: "value" }, label);
    const strip = make("div", { class: "strip" }, row);
    const svg = make("svg", { height, width: "100%", "aria-hidden": "true" }, strip);
    rows.push({ kind: kind.split(" ")[0], index, label, value, svg, height, strip });
  };
  add("axis", 0, "", 22);
  if (passages.length) add("doors", 0, "passages", 22);
  house.people.forEach((name, person) => add("lane", person, name, PERSON_ROW));
  const numbered = house.rooms.map((room, index) => ({ ...room, index }));
  const groups = [...house.floors].reverse().map(({ floor }) => numbered.filter((room) => room.floor === floor && !room.outdoors));
  for (const group of [...groups, numbered.filter((room) => room.outdoors)]) {
    group.forEach((room, i) => add(i ? "room" : "room first", room.index, room.name, ROW));
  }
  make("div", { id: "cursor" }, holder);
}

// instants shown: all of them, or a span around the cursor that moves on when the cursor leaves it
function chooseSpan(state) {
  const span = Math.max(1, Math.min(length - 1, Math.round(state.span / every)));
  if (span >= length - 1) { shownFrom = 0; shownTo = Math.max(1, length - 1); return; }
  if (shownTo - shownFrom === span && state.n >= shownFrom && state.n <= shownTo) return;
  let from = state.n - span / 2;
  if (state.span >= 24 * HOUR) { // whole days begin at local midnight
    const { date } = local(msOf(state.n));
    from = state.n - ((date.getUTCHours() * 60 + date.getUTCMinutes()) * 60 + date.getUTCSeconds()) * 1000 / every;
  }
  shownFrom = Math.round(Math.max(0, Math.min(length - 1 - span, from)));
  shownTo = shownFrom + span;
}

function drawTimeline(state) {
  if (!length) return;
  chooseSpan(state);
  for (const row of rows) {
    const width = Math.max(50, row.strip.clientWidth);
    row.svg.replaceChildren();
    row.svg.setAttribute("viewBox", `0 0 ${width} ${row.height}`);
    const x = (ms) => (ms / every - first - shownFrom) / (shownTo - shownFrom) * width;
    drawAxis(row, x, width);
    if (row.kind === "doors") drawPassageTicks(row, x);
    if (row.kind === "lane") drawPath(row, x, state);
    if (row.kind === "room") drawArea(row, x, width, state);
  }
}

const AXIS_HOURS = [1 / 12, .25, .5, 1, 2, 3, 6, 12, 24, 48, 168, 336, 720];

function drawAxis(row, x, width) {
  const begin = msOf(shownFrom), end = msOf(shownTo), hours = (end - begin) / HOUR;
  const gap = (AXIS_HOURS.find((h) => h / hours * width > (h < 24 ? 46 : 76)) || 1440) * HOUR;
  const shift = 1000 * offsetAt(begin) + (gap === 168 * HOUR ? 72 * HOUR : 0); // weeks begin on Mondays, 1970 on a Thursday
  const base = Math.floor((told.start + begin + shift) / gap) * gap - told.start - shift;
  for (let ms = base; ms <= end; ms += gap) {
    if (ms < begin) continue;
    const at = x(ms), { minutes, day } = local(ms), midnight = minutes === "00:00";
    make("path", { class: midnight ? "midnight" : "rule", d: `M${at.toFixed(1)} 0V${row.height}` }, row.svg);
    if (row.kind !== "axis") continue;
    row.svg.classList.add("axis");
    const text = gap >= 24 * HOUR || (midnight && width / (hours * HOUR / gap) > 76) ? day : minutes;
    const wide = textWidth(text, 11);
    if (at + 3 + wide <= width) make("text", { x: at + 3, y: 15 }, row.svg, text);
  }
}

function drawPassageTicks(row, x) {
  const paths = { "pass-tick": new Set(), "pass-tick unlikely": new Set() };
  for (const passage of between(passages, msOf(shownFrom) - 1, msOf(shownTo))) {
    paths[passage.likely ? "pass-tick" : "pass-tick unlikely"].add(Math.round(x(passage.ms)));
  }
  for (const [name, spots] of Object.entries(paths)) {
    const top = name === "pass-tick" ? 2 : 11;
    make("path", { class: name, d: [...spots].map((at) => `M${at}.5 ${top}V20`).join("") }, row.svg);
  }
}

// the area of a room's probability: the highest in each pixel, so that nothing short is lost
function drawArea(row, x, width, state) {
  const column = columns[row.index], base = row.height - 1, tall = row.height - (state.truth ? 8 : 4);
  const count = shownTo - shownFrom, pixels = Math.min(count, Math.round(width)), parts = [`M0 ${base}`];
  for (let pixel = 0, before = -1; pixel <= pixels; pixel++) {
    const from = shownFrom + Math.floor(pixel / pixels * count), to = Math.max(from + 1, shownFrom + Math.floor((pixel + 1) / pixels * count));
    let most = 0;
    for (let n = from; n < Math.min(to, length); n++) most = Math.max(most, column[keptAt[n]]);
    if (most === before) continue;
    const at = (pixel / pixels * width).toFixed(1);
    parts.push(`${before < 0 ? "L" : "H"}${at}${before < 0 ? " " + base : ""}V${(base - most / 100 * tall).toFixed(1)}`);
    before = most;
  }
  make("path", { class: "area", d: `${parts.join("")}H${width}V${base}Z` }, row.svg);
  const spots = new Set();
  for (const event of between(events, msOf(shownFrom), msOf(shownTo))) {
    const sensor = house.sensors[event.sensor];
    if (sensor.room === row.index && event.value === 0) spots.add(Math.round(x(event.ms)));
  }
  make("path", { class: "event-ticks", d: [...spots].map((at) => `M${at}.5 ${base}v-5`).join("") }, row.svg);
  if (state.truth) drawTrueStays(row, x);
}

function drawTrueStays(row, x) {
  const end = msOf(shownTo);
  for (const { changes } of truth) {
    changes.forEach(([ms, room], i) => {
      const until = i + 1 < changes.length ? changes[i + 1][0] : end;
      if (room !== row.index || until < msOf(shownFrom) || ms > end) return;
      make("rect", { class: "truth-bar", x: x(ms).toFixed(1), width: Math.max(1, x(Math.min(until, end)) - x(ms)).toFixed(1), y: 1, height: 3 }, row.svg);
    });
  }
}

// where a person most probably is, as a row of named stays; its height is the probability
const likeliest = new Map();
function likeliestRooms(person) {
  if (!likeliest.has(person)) {
    const best = new Uint16Array(steps.length), from = peopleFrom + person * (AWAY + 1);
    for (let t = 0; t < steps.length; t++) {
      for (let room = 1; room <= AWAY; room++) if (columns[from + room][t] > columns[from + best[t]][t]) best[t] = room;
    }
    likeliest.set(person, best);
  }
  return likeliest.get(person);
}

function drawPath(row, x, state) {
  const best = likeliestRooms(row.index), tall = state.truth ? 20 : row.height - 6, base = 2 + tall;
  let from = shownFrom;
  for (let n = shownFrom; n <= shownTo && n < length; n++) {
    const room = best[keptAt[n]];
    if (n < shownTo && n + 1 < length && best[keptAt[n + 1]] === room) continue;
    drawStay(row, x, room, from, n + 1, tall, base);
    from = n + 1;
  }
  if (state.truth) drawTruePath(row, x, base + 2);
}

function drawStay(row, x, room, from, to, tall, base) {
  const a = x(msOf(from)), b = x(msOf(to)), name = roomName(room);
  const group = make("g", { class: `segment${room === AWAY ? " off" : ""}` }, row.svg);
  let sum = 0;
  for (let n = from; n < to && n < length; n++) sum += personChance(row.index, room, n);
  const height = sum / (Math.min(to, length) - from) / 100 * tall;
  make("rect", { x: a.toFixed(1), width: Math.max(.5, b - a).toFixed(1), y: (base - height).toFixed(1), height: height.toFixed(1) }, group);
  if (b - a > 5) make("path", { class: "border", d: `M${a.toFixed(1)} ${base - tall}V${base}` }, group);
  make("title", {}, group, `${name}, ${local(msOf(from)).shown} to ${local(msOf(Math.min(to, length - 1))).shown}`);
  let text = name;
  while (text && textWidth(text, 11) > b - a - 5) text = text.length > 4 ? text.slice(0, -2).trimEnd() : "";
  if (text) make("text", { x: (a + 4).toFixed(1), y: base - tall / 2 + 4 }, group, text === name ? name : `${text.slice(0, -1)}…`);
}

function drawTruePath(row, x, top) {
  const own = truth.find((t) => t.person === house.people[row.index]);
  if (!own) return;
  const best = likeliestRooms(row.index), real = (n) => truthAt(own.changes, msOf(n));
  const kind = (n) => best[keptAt[n]] === real(n);
  for (let n = shownFrom, from = n; n <= shownTo && n < length; n++) {
    if (n < shownTo && n + 1 < length && real(n + 1) === real(from) && kind(n + 1) === kind(from)) continue;
    const a = x(msOf(from)), b = x(msOf(n + 1));
    const bar = make("rect", { class: kind(from) ? "truth-bar" : "truth-differs", x: a.toFixed(1), width: Math.max(1, b - a - 1).toFixed(1), y: top, height: 6 }, row.svg);
    make("title", {}, bar, real(from) === null ? "truth unknown" : `truth: ${roomName(real(from))}`);
    from = n + 1;
  }
}

function showTimeline(n, state) {
  if (n < shownFrom || n > shownTo) drawTimeline(state);
  const cursor = document.getElementById("cursor"), width = rows.length ? rows[0].strip.clientWidth : 0;
  cursor.style.transform = `translateX(${((n - shownFrom) / (shownTo - shownFrom) * width).toFixed(1)}px)`;
  for (const row of rows) {
    if (row.kind === "room") {
      row.value.textContent = percent(roomChance(row.index, n));
      row.label.setAttribute("aria-pressed", String(row.index === state.room));
    }
    if (row.kind === "lane") row.value.textContent = percent(personChance(row.index, likeliestRooms(row.index)[keptAt[n]], n));
    if (row.kind === "axis") row.label.firstChild.textContent = local(msOf(n)).day;
  }
}
