// --- the data: numbers out of text, values at an instant -----------------------------------------------------------
const house = JSON.parse(document.getElementById("data").textContent);
const told = house.replay;
const AWAY = house.rooms.length;

function* unpacked(text) {
  const bytes = atob(text);
  for (let i = 0, value = 0, unit = 1; i < bytes.length; i++) {
    const byte = bytes.charCodeAt(i);
    value += (byte & 127) * unit;
    unit *= 128;
    if (byte < 128) { yield value; value = 0; unit = 1; }
  }
}

function unpackSteps(text) {
  let at = 0;
  return Int32Array.from(unpacked(text), (gap) => at += gap);
}

function unpackColumns(text, count, length) {
  const columns = Array.from({ length: count }, () => new Uint8Array(length));
  let filled = 0, run = -1;
  for (const number of unpacked(text)) {
    if (run < 0) { run = number; continue; }
    columns[Math.floor(filled / length)].fill(number, filled % length, filled % length + run);
    filled += run;
    run = -1;
  }
  return columns;
}

function unpackEvents(text) {
  const events = [], numbers = unpacked(text), take = () => numbers.next().value;
  for (let gap = take(), ms = 0; gap !== undefined; gap = take()) {
    const event = { ms: ms += gap, sensor: take(), value: take(), cause: take() };
    if (event.cause > 0) event.percent = take();
    events.push(event);
  }
  return events;
}

// the grid: cursor n = 0, 1, ... stands for the instant first + n; what is shown is the latest kept instant up to it
const steps = told ? unpackSteps(told.steps) : new Int32Array(0);
const first = steps.length ? steps[0] : 0;
const length = steps.length ? steps[steps.length - 1] - first + 1 : 0;
const keptAt = new Int32Array(length);
for (let n = 0, t = 0; n < length; n++) {
  if (t + 1 < steps.length && steps[t + 1] - first <= n) t++;
  keptAt[n] = t;
}
const columns = told ? unpackColumns(told.columns, told.count, steps.length) : [];
const events = told ? unpackEvents(told.events) : [];
const every = told ? told.every * 1000 : 60000;
const peopleFrom = AWAY, countFrom = AWAY + house.people.length * (AWAY + 1);

const msOf = (n) => (first + n) * every;
const stepOf = (ms) => Math.min(length - 1, Math.max(0, Math.ceil(ms / every - first)));
const roomChance = (room, n) => columns[room][keptAt[n]];
const personChance = (person, room, n) => columns[peopleFrom + person * (AWAY + 1) + room][keptAt[n]];
const countChances = (n) => columns.slice(countFrom).map((column) => column[keptAt[n]]);
const roomName = (room) => room === AWAY ? "away" : house.rooms[room].name;
const percent = (value) => value === 0 ? "<1\u00a0%" : value === 100 ? ">99\u00a0%" : value + "\u00a0%";

const passages = (told ? told.passages : []).map((p, number) => {
  const [ms, door, forth, back, nobody, forthFirst, backFirst, final, inferred, who] = p;
  const [a, b] = house.doors[door].between, swap = back > forth;
  return {
    number, ms, door, nobody, final, inferred, likely: nobody < 50, listed: nobody < 50 || !inferred,
    from: swap ? b : a, to: swap ? a : b, chance: swap ? back : forth, other: swap ? forth : back,
    atOnce: swap ? backFirst : forthFirst, swap,
    who: who.filter((_, i) => i % 2 === 0).map((being, i) => [told.beings[being], who[2 * i + 1]]),
  };
});

const truth = house.truth && Object.entries(house.truth).map(([person, changes]) => ({ person, changes }));

function truthAt(changes, ms) {
  let low = 0, high = changes.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (changes[middle][0] <= ms) low = middle + 1; else high = middle;
  }
  return low ? changes[low - 1][1] : null;
}

// items of a list sorted by ms that lie in (from, to]
function between(list, from, to) {
  const after = (ms) => {
    let low = 0, high = list.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (list[middle].ms <= ms) low = middle + 1; else high = middle;
    }
    return low;
  };
  return list.slice(after(from), after(to));
}

// --- local time -----------------------------------------------------------------------------------------------------
const DAYS = ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"];
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
const two = (number) => String(number).padStart(2, "0");

function offsetAt(ms) {
  let offset = 0;
  for (const [from, seconds] of told.offsets) if (from <= ms) offset = seconds;
  return offset;
}

function local(ms) {
  const date = new Date(told.start + ms + 1000 * offsetAt(ms));
  const seconds = date.getUTCSeconds(), minutes = `${two(date.getUTCHours())}:${two(date.getUTCMinutes())}`;
  return {
    minutes, exact: `${minutes}:${two(seconds)}`,
    shown: every % 60000 ? `${minutes}:${two(seconds)}` : minutes,
    day: `${DAYS[date.getUTCDay()]} ${date.getUTCDate()} ${MONTHS[date.getUTCMonth()]}`, year: date.getUTCFullYear(), date,
  };
}

function zoneText(ms) {
  const offset = offsetAt(ms), size = Math.abs(offset);
  return `UTC${offset < 0 ? "−" : "+"}${two(Math.floor(size / 3600))}:${two(Math.floor(size % 3600 / 60))}`;
}

function ago(ms) {
  const seconds = Math.round(ms / 1000);
  if (seconds < 90) return `${seconds} s`;
  const minutes = Math.round(seconds / 60);
  return minutes < 90 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${minutes % 60} min`;
}
