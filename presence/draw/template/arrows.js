// --- which way somebody went: an arrow through the door, with its probability where there is space for it -------------
const LEAST_ARROW = 20; // percent
const REACH = [[Infinity, Infinity], [22, 22], [16, 16], [11, 21], [8, 24], [8, 16]]; // pixels from the door to tip and tail, the longest that is free
const NUMBER = 12;

const boxOf = (x, y, wide, tall) => ({ left: x - wide / 2, right: x + wide / 2, top: y - tall / 2, bottom: y + tall / 2 });

function covered(box, taken) { // square pixels of a box that others take
  const side = (a, b, c, d) => Math.max(0, Math.min(b, d) - Math.max(a, c));
  return taken.reduce((sum, o) => sum + side(box.left, box.right, o.left, o.right) * side(box.top, box.bottom, o.top, o.bottom), 0);
}

function showArrows(sheet, recent) {
  sheet.arrows.replaceChildren();
  const listed = recent.filter((passage) => passage.listed && passage.chance >= LEAST_ARROW);
  const shown = [...new Map(listed.map((passage) => [`${passage.door} ${passage.swap}`, passage])).values()]; // the last each way
  if (!shown.length) return;
  const taken = [...sheet.texts.children].map((text) => text.getBBox()).filter((box) => box.width)
    .map((box) => boxOf(box.x + box.width / 2, box.y + box.height / 2, box.width, box.height));
  const lines = shown.flatMap((passage) => linesOf(sheet, passage, taken).map((line) => ({ ...line, passage })));
  taken.push(...lines.map((line) => line.box));
  for (const line of lines) {
    const { passage, from, to } = line;
    const group = make("g", { class: `passage flash${passage.chance < 80 ? " unsure" : ""}` }, sheet.arrows);
    make("title", {}, group, `${way(passage)} ${percent(passage.chance)}`);
    drawArrow(group, from, to, passage.chance);
    const spot = numberSpot(line, percent(passage.chance), sheet, taken);
    if (!spot) continue; // the list of passages has it
    taken.push(spot.box);
    make("text", { class: "halo", x: spot.x.toFixed(1), y: (spot.y + .36 * NUMBER).toFixed(1), "font-size": NUMBER }, group, percent(passage.chance));
  }
}

function linesOf(sheet, passage, taken) {
  const door = house.doors[passage.door], ends = passage.swap ? [door.ends[1], door.ends[0]] : door.ends;
  if (door.kind === "stair") { // the same arrow on both floors: up or down the sheet, as the stair goes
    const up = ends[1].floor > ends[0].floor ? -1 : 1, here = ends.filter((end) => end.floor === sheet.floor.floor);
    return here.map((end) => lineThrough(sheet.spot(end.at), [0, up], 16, 16));
  }
  if (door.floor !== sheet.floor.floor) return [];
  const [a, b] = ends.map((end) => sheet.spot(end.at)), size = Math.hypot(b[0] - a[0], b[1] - a[1]) || 1;
  const along = [(b[0] - a[0]) / size, (b[1] - a[1]) / size], most = Math.max(22, size / 2);
  const choices = REACH.map(([tip, tail]) => lineThrough(sheet.spot(door.at), along, Math.min(tip, most), Math.min(tail, most)));
  const cost = choices.map((line) => covered(line.box, taken));
  return [choices[cost.indexOf(Math.min(...cost))]];
}

function lineThrough([x, y], [ux, uy], tip, tail) {
  const from = [x - ux * tail, y - uy * tail], to = [x + ux * tip, y + uy * tip], long = tip + tail;
  const box = boxOf((from[0] + to[0]) / 2, (from[1] + to[1]) / 2, long * Math.abs(ux) + 12, long * Math.abs(uy) + 12);
  return { from, to, along: [ux, uy], box };
}

// behind the tail, beside it, beside the middle, before the tip: wherever least is covered; null if nothing is free
function numberSpot({ from, to, along: [ux, uy] }, text, sheet, taken) {
  const wide = textWidth(text, NUMBER, 700) + 2, tall = NUMBER, { width, height } = sheet.svg.viewBox.baseVal;
  const off = Math.abs(ux) * (tall / 2 + 8) + Math.abs(uy) * (wide / 2 + 8), end = Math.abs(ux) * wide / 2 + Math.abs(uy) * tall / 2 + 8;
  const middle = [(from[0] + to[0]) / 2, (from[1] + to[1]) / 2], beside = (at, side) => [at[0] - uy * off * side, at[1] + ux * off * side];
  const spots = [[from[0] - ux * end, from[1] - uy * end], beside(from, 1), beside(from, -1), beside(middle, 1), beside(middle, -1), [to[0] + ux * end, to[1] + uy * end]];
  const choices = spots.map(([x, y]) => ({ x, y, box: boxOf(x, y, wide, tall) }))
    .filter(({ box }) => box.left >= 0 && box.top >= 0 && box.right <= width && box.bottom <= height)
    .map((choice) => ({ ...choice, cost: covered(choice.box, taken) }));
  const best = choices.sort((a, b) => a.cost - b.cost)[0];
  return best && best.cost < .08 * wide * tall ? best : null;
}

function drawArrow(group, [ax, ay], [bx, by], chance) {
  const size = Math.hypot(bx - ax, by - ay), ux = (bx - ax) / size, uy = (by - ay) / size, weight = 2 + 3 * chance / 100;
  const hx = bx - 11 * ux, hy = by - 11 * uy;
  make("path", { class: "glow", d: `M${ax} ${ay}L${bx} ${by}`, "stroke-width": weight + 9 }, group);
  make("path", { class: "shaft", d: `M${ax} ${ay}L${hx} ${hy}`, "stroke-width": weight }, group);
  make("path", { class: "head", d: `M${bx} ${by}L${hx - 7 * uy} ${hy + 7 * ux}L${hx + 7 * uy} ${hy - 7 * ux}Z` }, group);
}
