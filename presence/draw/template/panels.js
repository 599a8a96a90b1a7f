// --- who, through which door, and why -------------------------------------------------------------------------------
function showPeople(n, state) {
  const holder = document.getElementById("people-list");
  holder.replaceChildren();
  house.people.forEach((name, person) => {
    const block = make("div", { class: "person" }, holder);
    drawMark(make("svg", { width: 26, height: 26, viewBox: "-13 -13 26 26", "aria-hidden": "true" }, block), person, 0, 0, 10);
    make("b", {}, block, name);
    const places = Array.from({ length: AWAY + 1 }, (_, room) => [personChance(person, room, n), room]).sort((a, b) => b[0] - a[0]);
    places.slice(0, 2).filter(([value], i) => i === 0 || value >= LEAST_MARK).forEach(([value, room]) => chanceLine(block, roomName(room), value));
    if (state.truth) {
      const own = truth.find((t) => t.person === name), real = own ? truthAt(own.changes, msOf(n)) : null;
      const verdict = real === null ? "unknown" : `${roomName(real)} ${real === places[0][1] ? "✓ as told" : "✗ not as told"}`;
      make("div", { class: "truth-line" }, block, `truth: ${verdict}`).style.gridColumn = "2";
    }
  });
  showCount(holder, n, state);
}

function showAway(n) {
  const line = at("away");
  line.replaceChildren("away:");
  house.people.forEach((name, person) => {
    const value = personChance(person, AWAY, n);
    if (value < LEAST_MARK) return;
    const item = make("span", {}, line), r = 4 + 6 * Math.sqrt(value / 100);
    drawMark(make("svg", { width: 26, height: 26, viewBox: "-13 -13 26 26", "aria-hidden": "true" }, item), person, 0, 0, r);
    item.append(`${name} ${percent(value)}`);
  });
  if (line.childNodes.length === 1) line.append(" nobody who lives here");
}

function chanceLine(parent, text, value) {
  const line = make("div", { class: "place" }, parent);
  line.style.gridColumn = "2";
  make("span", {}, line, text);
  make("i", {}, make("span", { class: "bar", "aria-hidden": "true" }, line)).style.width = `${value}%`;
  make("span", {}, line, percent(value));
}

function showCount(holder, n, state) {
  const chances = countChances(n), best = chances.indexOf(Math.max(...chances));
  const people = best === 0 ? "nobody" : best === 1 ? "one person" : `${best} people`;
  const line = make("p", { id: "at-home" }, holder, `On the property: ${people} (${percent(chances[best])})`);
  if (state.truth) {
    const real = truth.filter(({ changes }) => { const room = truthAt(changes, msOf(n)); return room !== null && room !== AWAY; }).length;
    line.append(`; in truth ${real}`);
  }
  const bars = make("div", { class: "count", role: "img", "aria-label": chances.map((c, k) => `${k}: ${percent(c)}`).join(", ") }, holder);
  chances.forEach((value, k) => {
    const column = make("div", {}, bars);
    make("span", {}, column, value ? percent(value) : "");
    make("i", {}, column).style.height = `${(.4 * value).toFixed(1)}px`;
    make("span", {}, column, String(k));
  });
}

const way = (passage) => `${roomName(passage.from)} → ${roomName(passage.to)}`;

function showPassages(n, recent) {
  const list = document.getElementById("passage-list"), now = msOf(n);
  const known = between(passages, now - 12 * HOUR, now).filter((p) => p.listed);
  const listed = known.slice(-Math.max(5, recent.length)).reverse(), signature = listed.map((p) => p.number + String(recent.includes(p))).join();
  if (list.dataset.signature === signature) return; // an opened reason stays open
  list.dataset.signature = signature;
  list.replaceChildren();
  for (const passage of listed) {
    const item = make("li", { class: recent.includes(passage) ? "now" : "" }, list);
    make("span", { class: "num" }, item, `${local(passage.ms).exact} `);
    make("b", {}, item, passage.likely ? way(passage) : `${house.doors[passage.door].name}: nobody`);
    make("span", {}, item, ` ${percent(passage.likely ? passage.chance : passage.nobody)}`);
    make("div", { class: "quiet" }, item, passageDetail(passage));
    if (told.passageReasons[passage.number]) {
      const details = make("details", {}, item);
      make("summary", {}, details, "what speaks for it, in decibans");
      weightList(details, told.passageReasons[passage.number]);
    }
  }
  if (!known.length) make("li", { class: "quiet" }, list, "none in the twelve hours before");
}

function passageDetail(passage) {
  const parts = passage.likely
    ? [`${house.doors[passage.door].name}: other way ${percent(passage.other)}, nobody ${percent(passage.nobody)}`]
    : [`${way(passage)} ${percent(passage.chance)}, other way ${percent(passage.other)}`];
  if (!passage.inferred) parts.push(passage.final ? `first answer ${percent(passage.atOnce)}` : "not final");
  if (passage.inferred) parts.push("no sensor at this door; told by what is heard on either side");
  if (passage.who.length) parts.push(`who: ${passage.who.map(([name, value]) => `${name} ${percent(value)}`).join(", ")}`);
  return parts.join(" · ");
}

// rooms next to a room, and what each sensor has to do with it
function nearness(room) {
  const beside = new Set(house.doors.filter((door) => door.between.includes(room)).flatMap((door) => door.between));
  return house.sensors.map((sensor) => {
    if (sensor.room === room) return "here";
    if (sensor.door !== undefined) return house.doors[sensor.door].between.includes(room) ? "at its door" : "";
    return sensor.room !== undefined && beside.has(sensor.room) ? "next door" : sensor.person !== undefined ? "carried" : "";
  });
}

// the latest changes of a room's probability: what was heard in and beside the room in each, silence in between
const CHANGES = 6, LOOK_BACK = 6 * HOUR;

function changesBefore(room, n) {
  const near = nearness(room), found = [];
  const oldest = Math.max(0, n - Math.floor(LOOK_BACK / every));
  const heard = between(events, msOf(oldest), msOf(n)).filter((event) => near[event.sensor]);
  for (let k = n, last = heard.length - 1; k > oldest && found.length < CHANGES;) {
    const here = [];
    while (last >= 0 && heard[last].ms > msOf(k - 1)) here.unshift(heard[last--]);
    const quietFrom = last >= 0 ? Math.max(oldest, stepOf(heard[last].ms)) : oldest;
    const change = { from: here.length ? k - 1 : Math.min(k - 1, quietFrom), to: k, heard: here };
    const latest = found[found.length - 1];
    if (latest && steady(room, change) && steady(room, latest)) {
      latest.from = change.from;
      latest.heard = [...here, ...latest.heard];
    } else found.push(change);
    k = change.from;
  }
  return { found, near };
}

const steady = (room, change) => Math.abs(roomChance(room, change.from) - roomChance(room, change.to)) < 2;

// weights of evidence, [tenths of a deciban, text, ...]
function weightList(parent, weights) {
  const list = make("ul", { class: "weights" }, parent);
  for (let i = 0; i < weights.length; i += 2) {
    const item = make("li", {}, list), tenths = weights[i], size = Math.abs(tenths / 10);
    make("b", { class: "num" }, item, `${tenths < 0 ? "−" : "+"}${size < 9.95 ? size.toFixed(1) : Math.round(size)}`);
    make("span", {}, item, told.texts[weights[i + 1]]);
  }
}

function showReason(body, room, n) {
  if (told.reasonsUntil !== null && msOf(n) > told.reasonsUntil) {
    const { day, shown } = local(told.reasonsUntil);
    make("p", { class: "quiet" }, body, `Weights of evidence are told up to ${day} ${shown}; presence draw --explain tells all.`);
    return;
  }
  const known = told.reasons.filter(([ms, about]) => about === room && ms <= msOf(n));
  if (!known.length) return;
  const [ms, , begin, before, after, weights] = known[known.length - 1];
  const day = local(ms).day === local(msOf(n)).day ? "" : `${local(ms).day} `;
  make("p", {}, body, `At ${day}${local(ms).shown} the answer changed to ${after >= 50 ? "somebody there" : "nobody there"}`
    + ` (${percent(before)} at ${local(begin).shown}, ${percent(after)} then):`);
  weightList(body, weights);
  make("p", { class: "quiet" }, body, "In decibans: + speaks for somebody being there, − against; 10 make the odds ten times as high.");
}

function showWhy(n, state) {
  const title = document.getElementById("why-title"), body = document.getElementById("why-body"), room = state.room;
  body.replaceChildren();
  title.textContent = `${roomName(room)}, ${percent(roomChance(room, n))}: how it came to that`;
  showReason(body, room, n);
  make("p", { class: "quiet" }, body, "What was heard in and beside the room as its probability changed. Sensors elsewhere may have played a part.");
  const list = make("ul", { class: "why" }, body), { found, near } = changesBefore(room, n);
  for (const change of told.reasons.length ? found.slice(0, 4) : found) changeItem(list, change, room, n, near);
  if (!found.length) make("li", { class: "quiet" }, list, "the log begins here");
}

function changeItem(list, change, room, n, near) {
  const item = make("li", { class: change.to === n && change.heard.length ? "now" : "" }, list);
  const before = roomChance(room, change.from), after = roomChance(room, change.to);
  const span = change.to - change.from > 1 ? `${local(msOf(change.from)).shown} to ${local(msOf(change.to)).shown}` : `to ${local(msOf(change.to)).shown}`;
  make("span", { class: "num" }, item, `${span}: `);
  make("b", { class: "num" }, item, steady(room, change) ? `stayed at ${percent(after)}` : `${percent(before)} → ${percent(after)}`);
  const most = steady(room, change) ? 1 : 4; // what changed nothing is told briefly
  if (!change.heard.length) make("div", { class: "quiet" }, item, `nothing heard here or next door for ${ago((change.to - change.from) * every)}`);
  for (const event of change.heard.slice(-most)) make("div", {}, item, eventText(event, near[event.sensor]));
  if (change.heard.length > most) make("div", { class: "quiet" }, item, `and ${change.heard.length - most} earlier`);
}

function eventText(event, where) {
  const sensor = house.sensors[event.sensor];
  const place = where === "next door" ? ` (${roomName(sensor.room)})` : "";
  const ended = sensor.values[event.value] === "clear"; // which nobody does
  const cause = ended ? "" : event.cause > 1 ? `, by ${told.beings[event.cause - 2]} ${percent(event.percent)}` : event.cause === 1 ? `, by nobody ${percent(event.percent)}` : "";
  return `${local(event.ms).exact} ${sensor.name} ${sensor.values[event.value]}${place}${cause}`;
}
