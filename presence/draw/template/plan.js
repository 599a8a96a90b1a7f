// --- the plan -------------------------------------------------------------------------------------------------------
const SVG = document.getElementById("seed").namespaceURI;
const MARKS = [
  (r) => `M${-r} 0a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0Z`,
  (r) => `M${-.88 * r} ${-.88 * r}h${1.76 * r}v${1.76 * r}h${-1.76 * r}Z`,
  (r) => regular(3, 1.25 * r, .15 * r), (r) => regular(4, 1.2 * r, 0), (r) => regular(6, 1.08 * r, 0),
  (r) => regular(5, 1.12 * r, 0), (r) => `M${-.5 * r} ${-r}h${r}v${.5 * r}h${.5 * r}v${r}h${-.5 * r}v${.5 * r}h${-r}v${-.5 * r}h${-.5 * r}v${-r}h${.5 * r}Z`,
  (r) => regular(8, 1.05 * r, 0),
];

function regular(corners, r, shift) {
  const spots = Array.from({ length: corners }, (_, i) => 2 * Math.PI * i / corners);
  return "M" + spots.map((a) => `${(r * Math.sin(a)).toFixed(1)} ${(shift - r * Math.cos(a)).toFixed(1)}`).join("L") + "Z";
}

function make(name, attributes = {}, parent = null, text = null) {
  const svg = parent && parent.namespaceURI === SVG || name === "svg";
  const element = svg ? document.createElementNS(SVG, name) : document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== null) element.textContent = text;
  if (parent) parent.append(element);
  return element;
}

const measure = document.createElement("canvas").getContext("2d");
function textWidth(text, size, weight = 400) {
  measure.font = `${weight} ${size}px ${getComputedStyle(document.body).fontFamily}`;
  return measure.measureText(text).width;
}

// free width of an outline at a height, around a point
function chord(outline, x, y) {
  let left = -Infinity, right = Infinity;
  outline.forEach(([ax, ay], i) => {
    const [bx, by] = outline[(i + 1) % outline.length];
    if ((ay > y) === (by > y)) return;
    const cross = ax + (bx - ax) * (y - ay) / (by - ay);
    if (cross <= x) left = Math.max(left, cross); else right = Math.min(right, cross);
  });
  return Number.isFinite(right - left) ? Math.min(x - left, right - x) * 2 : 0;
}

// how much text a room takes: name and chance, number and chance, or number alone
function fitLabel(room, index, scale) {
  const [x, y] = room.at, turned = room.outline.map(([a, b]) => [b, a]), wide = (text, size) => textWidth(text, size, 700);
  const height = chord(turned, y, x) * scale, reach = Math.min(height, 60) / scale;
  const width = Math.min(...[-.35, 0, .35].map((d) => chord(room.outline, x, y + d * reach))) * scale - 6;
  const lines = [];
  for (const word of room.name.split(/\s+/)) {
    const joined = lines.length ? `${lines[lines.length - 1]} ${word}` : word;
    if (lines.length && textWidth(joined, 12) <= width) lines[lines.length - 1] = joined; else lines.push(word);
  }
  const number = String(index + 1), named = lines.length < 4 && lines.every((line) => textWidth(line, 12) <= width);
  const chance = [15, 12, 10.5].find((size) => wide(">99 %", size) <= width);
  if (named && lines.length * 13 + (told ? 34 : 0) <= height && (!told || chance)) return { lines, size: 12, chance, height, width };
  const brief = { lines: [number], size: 10, chance: Math.min(chance || 0, 12), height, width, brief: true };
  if (!told || (height >= 30 && chance)) return brief;
  if (width >= wide(">99 %", 12) + textWidth(number, 10) + 8) return { ...brief, chance: 12, together: true };
  return { ...brief, chance: 0 };
}

// columns of floors, and the largest scale (pixels a metre) at which they fit: side by side, the first beside the
// others one above the other, or all one above the other
function arrangement(width, tallest) {
  const floors = house.floors, edge = 1.6;
  const choices = [floors.map((floor) => [floor]), [floors.slice(0, 1), [...floors.slice(1)].reverse()]];
  if (width < 700) choices.push([floors]);
  const scaleOf = (columns) => {
    const wide = columns.map((column) => Math.max(...column.map(({ box: [l, , r] }) => r - l + edge)));
    const tall = columns.map((column) => column.reduce((sum, { box: [, b, , t] }) => sum + t - b + edge, 0));
    const room = columns.length > 1 ? tallest : Infinity;
    return Math.min((width - 24 * (columns.length - 1)) / wide.reduce((sum, w) => sum + w), room / Math.max(...tall), 2 * tallest / Math.max(...tall.map((t, i) => t / columns[i].length)));
  };
  const best = choices.filter((columns) => columns.every((column) => column.length)).map((columns) => ({ columns, scale: scaleOf(columns) }));
  best.sort((a, b) => b.scale - a.scale);
  return { columns: best[0].columns, scale: Math.max(4, Math.min(70, best[0].scale)) };
}

let sheets = [];
function drawPlan() {
  const holder = document.getElementById("sheets");
  const { columns, scale } = arrangement(holder.clientWidth, Math.max(380, (told ? .62 : .78) * window.innerHeight));
  holder.replaceChildren();
  sheets = columns.flatMap((column, i) => {
    const place = make("div", {}, holder);
    return column.map((floor, k) => drawFloor(place, floor, scale, i + k));
  });
  const brief = sheets.flatMap((sheet) => [...sheet.rooms]).filter(([, part]) => part.fit.brief).map(([index]) => index).sort((a, b) => a - b);
  const numbers = document.getElementById("numbers");
  numbers.textContent = `By number on the plan: ${brief.map((index) => `${index + 1} ${roomName(index)}`).join(", ")}`;
  numbers.hidden = !brief.length;
}

function drawFloor(holder, floor, scale, number) {
  const [left, bottom, right, top] = floor.box, edge = .8;
  const x = (metres) => (metres - left + edge) * scale, y = (metres) => (top - metres + edge) * scale;
  const wide = x(right + edge), tall = y(bottom - edge), spot = ([a, b]) => [x(a), y(b)];
  const figure = make("figure", {}, holder);
  const svg = make("svg", { width: wide.toFixed(0), height: tall.toFixed(0), viewBox: `0 0 ${wide.toFixed(1)} ${tall.toFixed(1)}`, role: "img" }, figure);
  make("figcaption", {}, figure, floor.name);
  const title = make("title", {}, svg, floor.name), defs = make("defs", {}, svg);
  if (number === 0) {
    const pattern = make("pattern", { id: "hatching", width: 5, height: 5, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, defs);
    make("path", { d: "M0 0V5", class: "hatching" }, pattern);
  }
  const sheet = { floor, svg, title, rooms: new Map(), sensorMarks: new Map(), spot, scale };
  const layers = Object.fromEntries(["areas", "walls", "doors", "sensors", "chosen", "arrows", "texts"].map((name) => [name, make("g", {}, svg)]));
  Object.assign(sheet, layers);
  const here = house.rooms.map((room, i) => [room, i]).filter(([room]) => room.floor === floor.floor);
  for (const [room, i] of here.sort(([a], [b]) => b.outdoors - a.outdoors)) drawRoom(sheet, room, i, defs);
  house.doors.forEach((door) => drawDoor(sheet, door));
  house.sensors.forEach((sensor, i) => sensor.at && sensor.floor === floor.floor && drawSensor(sheet, sensor, i));
  return sheet;
}

function drawRoom(sheet, room, index, defs) {
  const outline = room.outline.map(sheet.spot), d = "M" + outline.map((p) => p.map((v) => v.toFixed(1)).join(" ")).join("L") + "Z";
  const outdoors = room.outdoors ? " outdoors" : "";
  const area = make("g", { class: "room" + outdoors, "data-room": index }, sheet.areas);
  make("path", { d, class: "fill", "fill-rule": "evenodd" }, area);
  make("path", { d, "clip-rule": "evenodd" }, make("clipPath", { id: `clip${index}` }, defs));
  const clipped = make("g", { "clip-path": `url(#clip${index})` }, area);
  const xs = outline.map((p) => p[0]), low = Math.min(...xs), width = Math.max(...xs) - low;
  const parts = ["level", "hatch"].map((name) => make("rect", { class: name, x: low, width, y: 0, height: 0 }, clipped));
  const edge = make("path", { class: "edge" }, clipped);
  make("title", {}, area, `${index + 1} ${room.name}`);
  make("path", { d, class: "wall" }, make("g", { class: outdoors }, sheet.walls));
  const fit = fitLabel(room, index, sheet.scale), [cx, cy] = sheet.spot(room.at);
  const group = make("g", {}, sheet.texts), line = (size, text, name = "halo") => make("text", { class: name, x: cx, y: at += size, "font-size": size }, group, text);
  const total = (fit.lines.length - Number(Boolean(fit.together))) * 13 + (told && fit.chance ? 18 : 0) + (told && house.people.length ? 22 : 0);
  let at = clearOf(obstacles(sheet, index, cx), cy - Math.min(total, fit.height) / 2, total, [cy - fit.height / 2, cy + fit.height / 2]);
  let chance = null;
  const top = at;
  if (!fit.together) for (const name of ["halo under", "halo over"]) { // no line's halo covers another line
    at = top;
    fit.lines.forEach((text) => line(fit.size, text, name));
  }
  if (told && fit.chance) {
    chance = line(fit.chance + 2, "", "halo chance");
    chance.setAttribute("font-size", fit.chance);
    if (fit.together) make("tspan", { class: "brief", "font-size": 10 }, chance, `${fit.lines[0]} `);
    chance = make("tspan", {}, chance, "");
  }
  at += 3;
  const marks = make("g", { transform: `translate(${cx.toFixed(1)} ${(at + 11).toFixed(1)})` }, group);
  sheet.rooms.set(index, { room, low, width, parts, edge, chance, marks, d, fit, below: cy + fit.height / 2 - at - 11, text: [cx, at - total, at] });
}

// stairs and sensors near the middle line of a room, as stretches of height [from, to]
function obstacles(sheet, index, cx) {
  const found = [];
  for (const door of house.doors) {
    if (door.kind !== "stair") continue;
    door.ends.forEach((end, i) => {
      const [x, y] = sheet.spot(end.at), half = 1.15 * stairHalf(sheet) + 2;
      if (door.between[i] === index && Math.abs(x - cx) < 40) found.push([y - half, y + half]);
    });
  }
  for (const sensor of house.sensors) {
    if (sensor.room !== index || !sensor.at) continue;
    const [x, y] = sheet.spot(sensor.at);
    if (Math.abs(x - cx) < 36) found.push([y - 6, y + 6]);
  }
  return found;
}

// where a room's text begins so that it keeps clear of what stands there, as near to the wish as can be
function clearOf(blocks, wish, total, [top, bottom]) {
  const covered = (at) => blocks.reduce((sum, [from, to]) => sum + Math.max(0, Math.min(to, at + total) - Math.max(from, at)), 0);
  const choices = [wish, ...blocks.flatMap(([from, to]) => [to, from - total])].filter((at) => at === wish || (at >= top && at + total <= bottom));
  return choices.sort((a, b) => covered(a) - covered(b) || Math.abs(a - wish) - Math.abs(b - wish))[0];
}

const stairHalf = (sheet) => Math.max(7, .4 * sheet.scale);

function drawDoor(sheet, door) {
  const floors = door.ends.map((end) => end.floor);
  if (!floors.includes(sheet.floor.floor)) return;
  const group = make("g", { class: "door" }, sheet.doors);
  make("title", {}, group, door.name);
  if (door.kind === "stair") {
    door.ends.forEach((end, i) => end.floor === sheet.floor.floor && drawStair(sheet, group, end, floors[1 - i] > end.floor));
    return;
  }
  const [x, y] = sheet.spot(door.at), half = door.width / 2 * sheet.scale;
  if (door.kind === "link") {
    const [a, b] = door.ends.map((end) => sheet.spot(end.at));
    make("path", { class: "thin", "stroke-dasharray": "3 3", d: `M${a}L${b}` }, group);
    return;
  }
  const opens = isOutside(door.between[1]) ? 0 : 1; // a leaf opens into the second room, an outer door's inwards
  const [ax, ay] = sheet.spot(door.ends[1 - opens].at), side = Math.sign((ax - x) * -Math.sin(-door.angle) + (ay - y) * Math.cos(-door.angle)) || 1;
  group.setAttribute("transform", `translate(${x.toFixed(1)} ${y.toFixed(1)}) rotate(${(-door.angle * 180 / Math.PI).toFixed(2)}) scale(1 ${-side})`);
  make("path", { class: "gap", d: `M${-half} 0H${half}` }, group);
  make("path", { class: "leaf", d: `M${-half} -4V4M${half} -4V4` }, group);
  if (door.leaf === "hinged") {
    make("path", { class: "leaf", d: `M${-half} 0V${2 * half}` }, group);
    make("path", { class: "thin", "stroke-dasharray": "2 2", d: `M${-half} ${2 * half}A${2 * half} ${2 * half} 0 0 0 ${half} 0` }, group);
  }
  if (door.leaf === "sliding") make("path", { class: "leaf", d: `M${-half} -2H${.2 * half}M${-.2 * half} 2H${half}` }, group);
  if (door.leaf === "overhead") make("path", { class: "leaf", "stroke-dasharray": "4 2", d: `M${-half} 0H${half}M${-half} 5H${half}` }, group);
  if (door.leaf === "none") make("path", { class: "thin", "stroke-dasharray": "1 4", d: `M${-half} 0H${half}` }, group);
  const out = door.between[opens] === AWAY ? 1 : -1;
  if (door.kind === "exit") make("path", { class: "way-out", d: `M-6 ${4 * out}h12l-6 ${8 * out}Z` }, group);
}

const isOutside = (room) => room === AWAY || house.rooms[room].outdoors;

function drawStair(sheet, group, end, up) {
  const [x, y] = sheet.spot(end.at), half = stairHalf(sheet), treads = [-2, -1, 0, 1, 2].map((k) => k * half / 2);
  make("path", { class: "thin", d: `M${x - half} ${y - 1.15 * half}h${2 * half}v${2.3 * half}h${-2 * half}Z` + treads.map((t) => `M${x - half} ${y + t}h${2 * half}`).join("") }, group);
  make("path", { class: "leaf", d: `M${x} ${y + half}V${y - half}M${x - 4} ${up ? y - half + 5 : y + half - 5}L${x} ${up ? y - half : y + half}L${x + 4} ${up ? y - half + 5 : y + half - 5}` }, group);
}

function drawSensor(sheet, sensor, index) {
  const [x, y] = sheet.spot(sensor.at);
  const text = sensor.room === undefined ? null : sheet.rooms.get(sensor.room).text;
  const under = text && Math.abs(x - text[0]) < 30 && y > text[1] - 6 && y < text[2] + 6 ? " under" : "";
  const group = make("g", { class: `sensor${under}`, transform: `translate(${x.toFixed(1)} ${y.toFixed(1)})` }, sheet.sensors);
  make("title", {}, group, `${sensor.name} (${sensor.kind})`);
  make("circle", { class: "ring", r: 7.5 }, group);
  make("circle", { r: 3.5 }, group);
  sheet.sensorMarks.set(index, group);
}

function drawMark(parent, person, x, y, r, { name = house.people[person], real = false } = {}) {
  const shape = person < 0 ? regular(4, 1.2 * r, 0) : MARKS[person % MARKS.length](r);
  const group = make("g", { transform: `translate(${x.toFixed(1)} ${y.toFixed(1)})` }, parent);
  const mark = make("path", { d: shape, class: real ? "mark true" : "mark" }, group);
  if (!real) mark.style.fill = `var(--p${person % 8})`;
  const letters = person < 0 ? initials([name])[0] : INITIALS[person];
  if (r >= 6) make("text", { class: real ? "initial true" : "initial", y: (.36 * 1.25 * r).toFixed(1), "font-size": (1.25 * r).toFixed(1) }, group, letters);
  return group;
}

const INITIALS = initials(house.people);

// a letter for each name, or two where names begin alike: the first and another of the same name, or its number
function initials(names) {
  const signs = names.map((name) => (name.match(/[\p{L}\p{N}\p{Extended_Pictographic}]/gu) || [...name]).map((sign, i) => i ? sign : sign.toUpperCase()));
  const given = new Set();
  return signs.map(([first, ...others], k) => {
    const alike = signs.some(([sign], other) => other !== k && sign === first);
    const choices = alike ? [names[k].match(/\d+$/)?.[0].slice(-1) || "", ...others, k + 1].map((sign) => first + sign) : [first];
    const letters = choices.find((choice) => choice.length > first.length && !given.has(choice)) || choices[0];
    given.add(letters);
    return letters;
  });
}

// --- the plan at an instant -----------------------------------------------------------------------------------------
const LEAST_MARK = 10; // percent from which a person's mark is drawn

function showPlan(n, state, recent) {
  for (const sheet of sheets) {
    sheet.chosen.replaceChildren();
    const said = [];
    for (const [index, part] of sheet.rooms) {
      if (index === state.room) make("path", { d: part.d, class: "chosen" }, sheet.chosen);
      if (n < 0) continue;
      showLevel(sheet, part, roomChance(index, n));
      showMarks(part, index, n, state);
      said.push(`${part.room.name} ${percent(roomChance(index, n))}`);
    }
    sheet.title.textContent = said.length ? `${sheet.floor.name}, probability that somebody is there: ${said.join(", ")}`
      : `${sheet.floor.name}: ${[...sheet.rooms.keys()].map(roomName).join(", ")}`;
    sheet.sensors.style.display = state.sensors ? "" : "none";
    for (const [sensor, mark] of sheet.sensorMarks) mark.classList.toggle("spoke", recent.sensors.has(sensor));
    showArrows(sheet, recent.passages);
  }
}

function showLevel(sheet, part, value) {
  const levels = part.room.levels, place = value / 100 * (levels.length - 1), k = Math.min(levels.length - 2, Math.floor(place));
  const height = levels[k] + (levels[k + 1] - levels[k]) * (place - k);
  const top = sheet.spot([0, height])[1], bottom = sheet.spot([0, levels[0]])[1];
  for (const rect of part.parts) { rect.setAttribute("y", top); rect.setAttribute("height", Math.max(0, bottom - top)); }
  part.edge.setAttribute("d", value ? `M${part.low} ${top}h${part.width}` : "");
  if (part.chance) part.chance.textContent = percent(value);
}

function showMarks(part, index, n, state) {
  part.marks.replaceChildren();
  const shown = house.people.map((_, person) => ({ person, value: personChance(person, index, n) })).filter((m) => m.value >= LEAST_MARK);
  const marks = shown.map((m) => ({ ...m, r: 4 + 6 * Math.sqrt(m.value / 100) }));
  if (state.truth) {
    for (const { person, changes } of truth) {
      if (truthAt(changes, msOf(n)) === index) marks.push({ person: house.people.indexOf(person), name: person, r: 9, real: true });
    }
  }
  const wide = (row) => row.reduce((sum, mark) => sum + 2 * mark.r + 3, -3), space = part.fit.width + 6;
  const half = Math.ceil(marks.length / 2), rows = .7 * wide(marks) > space && part.below > 30 ? [marks.slice(0, half), marks.slice(half)] : [marks];
  const shrink = Math.min(1, Math.max(.55, space / Math.max(...rows.map(wide))));
  rows.forEach((row, k) => putMarks(part.marks, row, k * 21 * shrink, shrink));
}

function putMarks(parent, marks, y, shrink) {
  let x = -marks.reduce((sum, mark) => sum + 2 * mark.r + 3, -3) / 2 * shrink;
  for (const mark of marks) {
    const group = drawMark(parent, mark.person, x + mark.r * shrink, y, mark.r * shrink, { name: mark.name || house.people[mark.person], real: mark.real });
    make("title", {}, group, mark.real ? `${mark.name} is here in truth` : `${house.people[mark.person]} ${percent(mark.value)}`);
    x += (2 * mark.r + 3) * shrink;
  }
}
