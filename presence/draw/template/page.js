// --- the page: one state, one way to show it ------------------------------------------------------------------------
const at = (id) => document.getElementById(id);
const state = { n: 0, room: 0, playing: false, speed: 300, span: Infinity, truth: false, sensors: window.innerWidth > 640 };
const SPEEDS = [["10 s/s", 10], ["1 min/s", 60], ["5 min/s", 300], ["15 min/s", 900], ["1 h/s", 3600], ["6 h/s", 21600]];
const KEYS = [
  ["space", "run or stop"], ["← →", "one step back or on"], ["shift ← →", "an hour back or on"], ["N, P", "next passage, passage before"],
  ["Home, End", "begin and end of the log, on the time control"], ["↑ ↓", "room above or below, on a room's name"], ["T", "truth on or off, where there is one"],
];
const shownPassages = passages.filter((passage) => passage.likely);
const jumps = [...new Set(shownPassages.map((passage) => stepOf(passage.ms)))];

function title() {
  at("name").textContent = house.name;
  const counts = [[house.rooms.length, "room"], [house.doors.length, "door"], [house.sensors.length, "sensor"]];
  const parts = counts.map(([k, word]) => `${k} ${word}${k === 1 ? "" : "s"}`);
  at("source").textContent = [house.log ? `from ${house.log}` : told ? "a replayed log" : "the plan alone", parts.join(", "), house.zone].join(" · ");
  for (const note of house.notes) make("p", { class: "note" }, at("notes"), `The plan as drawn: ${note}.`);
}

function legend() {
  const list = at("legend");
  const item = (draw, text) => {
    const line = make("li", {}, list), svg = make("svg", { width: 26, height: 18, viewBox: "0 0 26 18", "aria-hidden": "true" }, line);
    draw(svg);
    line.append(text);
    return line;
  };
  if (told) {
    item((svg) => {
      make("rect", { x: 1, y: 9, width: 24, height: 8, class: "level" }, svg);
      make("rect", { x: 1, y: 9, width: 24, height: 8, class: "hatch" }, svg);
      make("path", { d: "M1 9h24", class: "edge" }, svg);
      make("path", { d: "M1 1h24v16h-24Z", class: "wall", "stroke-width": 2 }, svg);
    }, "filled to the probability that somebody is there");
    if (house.people.length) item((svg) => { drawMark(svg, 0, 7, 9, 4); drawMark(svg, 0, 18, 9, 8); }, "a person; the larger, the likelier here");
    item((svg) => drawArrow(make("g", { class: "passage" }, svg), [1, 9], [25, 9], 40), "a passage just now (dashed: below 80 %)");
    if (truth) item((svg) => drawMark(svg, 0, 13, 9, 8, { real: true }), "truth: dashed mark, bar (hollow where another room was told)");
  }
  const sensors = item((svg) => make("circle", { cx: 13, cy: 9, r: 3.5 }, make("g", { class: "sensor" }, svg)), told ? "a sensor; ringed when it just spoke" : "a sensor");
  sensors.id = "sensor-key";
  item((svg) => make("path", { class: "way-out", d: "M7 5h12l-6 9Z" }, svg), "way off the property");
}

// what happened in the steps that the eye has not seen yet
function recently() {
  const back = Math.max(1, state.playing ? Math.round(.8 * state.speed * 1000 / every) : 1);
  const from = msOf(Math.max(0, state.n - back)), to = msOf(state.n);
  const heard = between(events, state.n === 0 ? -1 : from, to);
  return { passages: between(passages, state.n === 0 ? -1 : from, to), sensors: new Set(heard.map((event) => event.sensor)) };
}

let waiting = false;
function show() {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(() => { waiting = false; showNow(); });
}

function showNow() {
  if (!length) { showPlan(-1, state, { passages: [], sensors: new Set() }); return; }
  const now = local(msOf(state.n)), recent = recently();
  at("clock-time").textContent = now.shown;
  at("clock-date").replaceChildren(`${now.day} ${now.year} `, make("span", {}, null, zoneText(msOf(state.n))));
  at("bar-time").textContent = `${now.day} ${now.shown}`;
  const scrubber = at("scrubber");
  scrubber.value = state.n;
  scrubber.setAttribute("aria-valuetext", `${now.day} ${now.shown}`);
  at("before").disabled = !jumps.some((n) => n < state.n);
  at("next").disabled = !jumps.some((n) => n > state.n);
  showPlan(state.n, state, recent);
  showAway(state.n);
  showTimeline(state.n, state);
  showPeople(state.n, state);
  showPassages(state.n, recent.passages);
  showWhy(state.n, state);
  announce(recent.passages);
}

let announcing = 0;
function announce(recent) { // once things are still; while time runs, passages only
  clearTimeout(announcing);
  announcing = setTimeout(() => {
    const now = local(msOf(state.n));
    const passed = recent.filter((p) => p.likely).map((p) => `${way(p)} ${percent(p.chance)}`);
    if (state.playing && !passed.length) return;
    const where = house.people.map((name, person) => {
      const room = likeliestRooms(person)[keptAt[state.n]];
      return `${name}: ${roomName(room)} ${percent(personChance(person, room, state.n))}`;
    });
    const chosen = `${roomName(state.room)} ${percent(roomChance(state.room, state.n))}`;
    at("announcement").textContent = [`${now.day} ${now.shown}`, chosen, ...where, ...passed].join("; ");
  }, 500);
}

function go(n) {
  state.n = Math.min(length - 1, Math.max(0, Math.round(n)));
  show();
}

function choose(room) {
  state.room = room;
  show();
}

function jump(direction) {
  const ahead = direction > 0 ? jumps.find((n) => n > state.n) : jumps.findLast((n) => n < state.n);
  if (ahead !== undefined) go(ahead);
}

let frame = 0;
function play(on) {
  state.playing = on && length > 1;
  at("play").textContent = state.playing ? "Stop" : "Run";
  cancelAnimationFrame(frame);
  if (!state.playing) { show(); return; }
  if (state.n >= length - 1) state.n = 0;
  let before = performance.now(), exact = state.n;
  const tick = (now) => {
    if (Math.floor(exact) !== state.n) exact = state.n; // the user moved the time meanwhile
    exact += (now - before) / 1000 * state.speed * 1000 / every;
    before = now;
    const n = Math.min(length - 1, Math.floor(exact));
    if (n !== state.n) { state.n = n; exact = Math.max(exact, n); showNow(); }
    if (n >= length - 1) { play(false); return; }
    frame = requestAnimationFrame(tick);
  };
  frame = requestAnimationFrame(tick);
}

function redraw() {
  drawPlan();
  drawTimeline(state);
  showNow();
}

function onKey(event) {
  const target = event.target, typing = target.closest("select, textarea, input:not([type=range])");
  if (!at("use-keys").checked || event.ctrlKey || event.metaKey || event.altKey || typing) return;
  const press = target.closest("button, summary, a") && (event.key === " " || event.key === "Enter");
  const range = target.type === "range" && !event.shiftKey;
  const hour = Math.round(HOUR / every), names = [...document.querySelectorAll("#rows button")], here = names.indexOf(target);
  const neighbour = (by) => { const name = names[here + by]; if (name) { name.focus(); name.click(); } };
  const actions = {
    " ": () => play(!state.playing), n: () => jump(1), p: () => jump(-1),
    ArrowLeft: () => go(state.n - (event.shiftKey ? hour : 1)), ArrowRight: () => go(state.n + (event.shiftKey ? hour : 1)),
    ...(here >= 0 && { ArrowUp: () => neighbour(-1), ArrowDown: () => neighbour(1) }), // else they scroll
    t: () => truth && at("show-truth").click(),
  };
  const action = actions[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  if (!action || press || (range && event.key.length > 1)) return;
  event.preventDefault();
  action();
}

function pointAt(event) { // the instant under a pointer on the timeline
  const strip = event.target.closest(".strip");
  if (!strip) return;
  const box = strip.getBoundingClientRect();
  go(shownFrom + (event.clientX - box.left) / box.width * (shownTo - shownFrom));
  const row = rows.find((r) => r.strip === strip);
  if (row && row.kind === "room") choose(row.index);
}

function options(id, entries, value, change) {
  const select = at(id);
  entries.forEach(([text, entry]) => make("option", { value: entry }, select, text));
  select.value = String(value);
  select.addEventListener("change", () => change(Number(select.value)));
}

function listen() {
  at("scrubber").max = Math.max(0, length - 1);
  at("scrubber").addEventListener("input", () => go(Number(at("scrubber").value)));
  at("play").addEventListener("click", () => play(!state.playing));
  at("next").addEventListener("click", () => jump(1));
  at("before").addEventListener("click", () => jump(-1));
  options("speed", SPEEDS, state.speed, (speed) => { state.speed = speed; });
  const whole = length * every, spans = SPANS.filter(([, span]) => span === Infinity || span < .9 * whole);
  options("span", spans, Infinity, (span) => { state.span = span; shownTo = shownFrom; drawTimeline(state); show(); });
  if (spans.some(([, span]) => span === 24 * HOUR) && whole > 60 * HOUR) { at("span").value = 24 * HOUR; state.span = 24 * HOUR; }
  at("rows").addEventListener("pointerdown", pointAt);
  at("rows").addEventListener("pointermove", (event) => { if (event.buttons & 1) pointAt(event); });
  document.addEventListener("keydown", onKey);
  KEYS.forEach(([key, text]) => { make("dt", {}, at("keys"), key); make("dd", {}, at("keys"), text); });
  at("show-truth").addEventListener("change", () => { state.truth = at("show-truth").checked; drawTimeline(state); show(); });
}

function precision() {
  const parts = [`Every probability is what presence replay tells at that instant, to the nearest percent; one instant every ${told.every} s.`];
  if (told.tolerance || steps.length < told.told) {
    parts.push(`Thinned: ${steps.length} of ${told.told} instants are kept; what is shown in between differs by at most ${told.tolerance} points.`);
  }
  if (told.eventsLeftOut) parts.push(`${told.eventsLeftOut} events of sensors that reported without pause are not listed; the probabilities include them.`);
  at("precision").textContent = parts.join(" ");
}

function chooseSensors() {
  state.sensors = at("show-sensors").checked;
  at("sensor-key").hidden = !state.sensors;
}

function begin() {
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const paint = () => { document.documentElement.dataset.theme = at("theme").value || (dark.matches ? "dark" : "light"); };
  dark.addEventListener("change", paint);
  at("theme").addEventListener("change", paint);
  paint();
  title();
  at("truth-choice").hidden = !truth || !length;
  at("show-sensors").checked = state.sensors || !told;
  at("show-sensors").addEventListener("change", () => { chooseSensors(); showNow(); });
  at("sheets").addEventListener("click", (event) => {
    const room = event.target.closest("[data-room]");
    if (room && length) choose(Number(room.dataset.room));
  });
  legend();
  chooseSensors();
  at("away").hidden = !house.people.length;
  if (told) precision();
  if (length) {
    state.n = jumps.length ? jumps[0] : 0;
    state.room = shownPassages.length && shownPassages[0].to !== AWAY ? shownPassages[0].to : 0;
    buildRows(state, choose);
    listen();
  } else {
    for (const id of ["away", "caution", "side", "controls", "timeline", "clock", "help", "skip"]) at(id).hidden = true;
    const nothing = !told ? "" : events.length ? "The log ends before the first instant that is told; a smaller --every shows more." : "There is no event in the log, so nothing is known of who is where.";
    if (nothing) make("p", { class: "note" }, at("notes"), nothing);
    state.room = -1;
    at("plan").style.gridColumn = "1 / -1";
  }
  redraw();
  let width = at("plan").clientWidth; // which a scrollbar changes too
  new ResizeObserver(() => { if (at("plan").clientWidth !== width) { width = at("plan").clientWidth; redraw(); } }).observe(at("plan"));
}

begin();
