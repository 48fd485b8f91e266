// Where rows lay in their file and where a repair put them.
(function (vp) {
  "use strict";
  const { data, look, byId, element, add, row, table, number, plural } = vp;
  const { ground, vaults, hexes, moves } = data;
  const OPEN = ["bay", "sea"];
  const BEFORE = "#6b3a0a";
  const AFTER = look.sequential[4];
  const state = { when: "both", chosen: -1 };
  const lines = (rows, key) => rows.flatMap((each) => (each[key] || []).map(vp.line));
  const of = (rows, kind) => lines(rows.filter((each) => each.kind === kind), "area");
  const inks = {
    land: of(ground.backdrop, "land"), park: of(ground.backdrop, "park"), water: of(ground.backdrop, "water"),
    open: lines(ground.waters.filter((each) => OPEN.includes(each.kind)), "area"),
    still: lines(ground.waters.filter((each) => !OPEN.includes(each.kind)), "area"),
    creeks: lines(ground.waters, "line"), streets: lines(ground.streets, "line"),
    hexes: hexes ? hexes.ring.map(vp.line) : [],
  };
  const spots = vaults.x.map((x, i) => vp.world(x, vaults.y[i]));
  const drawn = moves.drawn.map((each) => ({
    ...each, from: each.before && vp.world(...each.before), to: each.after && vp.world(...each.after),
  }));
  const most = hexes ? Math.max(...hexes.count) : 1;

  const map = L.map("map", {
    zoomControl: false, attributionControl: false, maxZoom: 20, minZoom: 3, zoomSnap: 0.5,
    scrollWheelZoom: false, fadeAnimation: false, zoomAnimation: false,
  });
  window.map_places = map;

  function paintGround(ink) {
    vp.fill(ink, inks.land, { fillStyle: "#f7f5f0" });
    vp.fill(ink, inks.park, { fillStyle: "#eceee4" });
    for (const ring of [...inks.water, ...inks.open]) vp.fill(ink, [ring], { fillStyle: "#d3e4ec" });
    vp.fill(ink, inks.still, { fillStyle: "#d3e4ec", strokeStyle: "#a9c3d0", lineWidth: 0.8 });
    vp.stroke(ink, inks.creeks, { strokeStyle: "#a9c3d0", lineWidth: 2.5 });
    vp.stroke(ink, inks.streets, { strokeStyle: "#d2ccbe", lineWidth: Math.max(0.8, Math.min(6, 0.6 * 1.5 ** (ink.zoom - 12))) });
    inks.hexes.forEach((ring, i) => {
      const shade = Math.min(3, Math.floor(4 * Math.sqrt(hexes.count[i] / most)));
      vp.fill(ink, [ring], { fillStyle: `rgba(87, 82, 74, ${0.08 + 0.07 * shade})` });
    });
    const r = Math.max(1, Math.min(4, ink.zoom - 12));
    ink.context.fillStyle = "#8a857b";
    for (const [x, y] of spots) {
      if (x < ink.west || x > ink.east || y < ink.north || y > ink.south) continue;
      ink.context.beginPath();
      ink.context.arc(x * ink.scale - ink.origin.x, y * ink.scale - ink.origin.y, r, 0, 2 * Math.PI);
      ink.context.fill();
    }
  }

  function hollow(context, x, y, r, isAside) {
    vp.glyph(context, "diamond", x, y, r);
    context.fillStyle = "#ffffff";
    context.fill();
    context.lineWidth = 2;
    context.strokeStyle = BEFORE;
    context.stroke();
    if (!isAside) return;
    context.beginPath();
    context.moveTo(x - r / 2, y - r / 2);
    context.lineTo(x + r / 2, y + r / 2);
    context.moveTo(x + r / 2, y - r / 2);
    context.lineTo(x - r / 2, y + r / 2);
    context.stroke();
  }

  function full(context, x, y, r) {
    vp.glyph(context, "circle", x, y, r);
    context.fillStyle = AFTER;
    context.fill();
    context.lineWidth = 1.5;
    context.strokeStyle = "#ffffff";
    context.stroke();
  }

  function paintMoves(ink) {
    const { context } = ink;
    const at = (world) => [world[0] * ink.scale - ink.origin.x, world[1] * ink.scale - ink.origin.y];
    const isBefore = state.when !== "after";
    const isAfter = state.when !== "before";
    if (isBefore && isAfter) {
      context.save();
      context.strokeStyle = look.outline;
      context.lineWidth = 2;
      context.beginPath();
      for (const each of drawn.filter((one) => one.from && one.to)) {
        context.moveTo(...at(each.from));
        context.lineTo(...at(each.to));
      }
      context.stroke();
      context.restore();
    }
    if (isBefore) for (const each of drawn) if (each.from) hollow(context, ...at(each.from), 8, each.state === "aside");
    if (isAfter) for (const each of drawn) if (each.to) full(context, ...at(each.to), 6);
    const chosen = drawn[state.chosen];
    if (!chosen) return;
    context.lineWidth = 3;
    context.strokeStyle = look.outline;
    for (const world of [isBefore && chosen.from, isAfter && chosen.to]) {
      if (!world) continue;
      vp.glyph(context, "circle", ...at(world), 14);
      context.stroke();
    }
  }

  function tell(each) {
    const became = each.state === "aside" ? "set aside, not loaded" : each.before ? "moved" : "placed; where the file has it is off the map";
    return `${each.table} ${each.row_key || "without a key"} (${source(each)}): ${vp.ruleWords(each.rules)}; written as ${each.written}; ${became}.`;
  }

  function choose(i, isMoving) {
    state.chosen = i;
    const each = drawn[i];
    byId("told").textContent = each ? tell(each) : "";
    if (each && isMoving) map.setView(vp.latLng(...(each.after || each.before)), 17, { animate: false });
    marks.redraw();
  }

  function nearest(place) {
    const point = map.latLngToLayerPoint(place);
    const scale = 2 ** map.getZoom();
    const origin = map.getPixelOrigin();
    let [best, least] = [-1, L.Browser.mobile ? 22 : 12];
    drawn.forEach((each, i) => {
      for (const world of [state.when !== "after" && each.from, state.when !== "before" && each.to]) {
        if (!world) continue;
        const away = Math.hypot(world[0] * scale - origin.x - point.x, world[1] * scale - origin.y - point.y);
        if (away <= least) [best, least] = [i, away];
      }
    });
    return best;
  }

  function fillLegend() {
    const entry = (words, paint) => {
      const canvas = element("canvas");
      [canvas.width, canvas.height] = [60, 44];
      Object.assign(canvas.style, { width: "30px", height: "22px" });
      const context = canvas.getContext("2d");
      context.scale(2, 2);
      paint(context);
      byId("legend").append(add(element("span"), canvas, words));
    };
    entry("before, as the file has it", (context) => hollow(context, 15, 11, 8, false));
    entry("set aside: no place after", (context) => hollow(context, 15, 11, 8, true));
    entry("after the repair", (context) => full(context, 15, 11, 6));
    if (hexes) entry(`hexes: ${number(vaults.count)} vaults, darker where more`, (context) => { context.fillStyle = "rgba(87, 82, 74, .25)"; vp.glyph(context, "diamond", 15, 11, 8); context.fill(); });
    else entry(`${plural(vaults.count, "vault")}`, (context) => { context.fillStyle = "#8a857b"; vp.glyph(context, "circle", 15, 11, 3); context.fill(); });
  }

  function source(each) {
    return each.row === "" ? each.file : `${each.file}, row ${each.row}`;
  }

  function cellOf(each) {
    return add(element("td", each.row_key || "(no key)", "text small"), element("br"), element("span", `${each.table}; ${source(each)}`, "note"));
  }

  function offList(rows) {
    return table(["Row", "Off the map", "Why"], rows.map((each) => row([
      cellOf(each), element("td", each.written, "text small"),
      element("td", `${vp.ruleWords(each.rules)}; ${each.state === "aside" ? "set aside" : "placed by the repair"}`, "text"),
    ])));
  }

  function drawnList(rows, extra) {
    return table(["", "Row", "Why", "Written as"], rows.map((each, i) => row([
      add(element("td"), extra(each, i)), cellOf(each), element("td", vp.ruleWords(each.rules), "text"), element("td", each.written, "short"),
    ])));
  }

  function fillLists() {
    const undrawn = moves.drawn_of - drawn.length;
    byId("places-note").textContent = moves.drawn_of + moves.off_of === 0
      ? "No repair moved a row, and no row with a place was set aside."
      : `${plural(moves.drawn_of, "row")} on the map${undrawn ? `, of which ${number(undrawn)} are not drawn` : ""}; the file's own place of ${plural(moves.off_of, "row")} lies off it.`;
    byId("off-head").textContent = `Off the map: ${plural(moves.off_of, "row")}`;
    if (moves.off.length) byId("off").append(offList(moves.off));
    else byId("off").append(element("p", "None."));
    if (moves.off_of > moves.off.length) byId("off").append(element("p", `And ${plural(moves.off_of - moves.off.length, "more row")}.`, "note"));
    const list = byId("drawn");
    list.hidden = !drawn.length;
    list.querySelector("summary").textContent = `The ${plural(drawn.length, "row")} drawn, as a list`;
    list.addEventListener("toggle", () => {
      const box = list.querySelector("div");
      if (!list.open || box.firstChild) return;
      box.append(drawnList(drawn, (each, i) => {
        const button = element("button", "Show");
        button.type = "button";
        button.setAttribute("aria-label", `Show ${each.row_key || "the row"} on the map`);
        button.addEventListener("click", () => {
          choose(i, true);
          map.getContainer().scrollIntoView({ block: "nearest" });
        });
        return button;
      }));
    });
  }

  function extent() {
    const ends = drawn.flatMap((each) => [each.before, each.after]).filter(Boolean);
    const known = ends.length ? ends : vaults.x.map((x, i) => [x, vaults.y[i]]);
    if (!known.length && inks.hexes.length) known.push(...hexes.ring.map((ring) => ring.slice(0, 2)));
    if (!known.length) return L.latLngBounds([vp.latLng(0, 0), vp.latLng(1e4, 1e4)]);
    const [xs, ys] = [known.map((place) => place[0]), known.map((place) => place[1])];
    const end = (values, pick) => values.reduce((a, b) => pick(a, b));
    return L.latLngBounds(vp.latLng(end(xs, Math.min), end(ys, Math.min)), vp.latLng(end(xs, Math.max), end(ys, Math.max)));
  }

  function pane(name, order) {
    const made = map.createPane(name);
    made.style.zIndex = order;
    made.dataset.layer = name;
    return name;
  }

  map.getContainer().setAttribute("role", "region");
  map.getContainer().setAttribute("aria-label", "Map of places before and after");
  map.getContainer().classList.toggle("onland", !inks.land.length);
  map.fitBounds(extent(), { padding: [40, 40], maxZoom: 16, animate: false });
  L.control.zoom({ position: "topright" }).addTo(map);
  L.control.scale({ position: "bottomleft", maxWidth: 160 }).addTo(map);
  const backdrop = new vp.Canvas(paintGround, { pane: pane("ground", 410), padding: 0.15 }).addTo(map);
  const marks = new vp.Canvas(paintMoves, { pane: pane("moves", 420), padding: 0.15 }).addTo(map);
  fillLegend();
  fillLists();
  byId("when").addEventListener("change", (event) => {
    state.when = event.target.value;
    marks.redraw();
  });
  map.on("click", (event) => choose(nearest(event.latlng), false));
  window.addEventListener("beforeprint", () => {
    document.body.classList.add("printing");
    map.invalidateSize({ animate: false, pan: false });
    backdrop.settle();
    marks.settle();
  });
  window.addEventListener("afterprint", () => {
    document.body.classList.remove("printing");
    map.invalidateSize({ animate: false, pan: false });
  });
  new ResizeObserver(() => map.invalidateSize({ animate: false, pan: false })).observe(map.getContainer());
  requestAnimationFrame(() => document.documentElement.setAttribute("data-ready", "yes"));
})(window.vaultplan);
