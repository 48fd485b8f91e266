// The specialist's margin: waters, outfalls and ground of concern, with what is planned behind each.
(function (vp) {
  "use strict";
  const { data, look, element, state, shown, repaint } = vp;
  const { entry, still, stripe, group, ground } = vp.legend;
  const { SIZES, counted, onDay, gallons, sum, behindOutfall, rank } = vp.watched;
  const map = window.map_week;
  const { vaults, stops, left, watched } = data;
  const byId = (id) => document.getElementById(id);
  for (const grade of look.order) shown[grade] = false;
  let again = null;

  // Only these discharges and what is kept back behind the same place; null shows everything.
  function only(stopsAt, leftAt) {
    state.only = new Set([...stopsAt.map((at) => stops[at]), ...leftAt.map((at) => left[at])]);
    repaint("week");
  }

  function showAll() {
    again = null;
    state.only = null;
    repaint("week");
  }

  function lookAt() {
    const rows = [...state.only];
    if (!rows.length) return;
    const bounds = L.latLngBounds(rows.map((row) => vp.latLng(row.x, row.y)));
    map.invalidateSize({ animate: false, pan: false });
    map.fitBounds(bounds, { paddingTopLeft: [50, 50], paddingBottomRight: [50, 100], maxZoom: 16, animate: false });
  }

  function button(className, children, opens) {
    const made = vp.add(element("button", undefined, className), ...children);
    made.type = "button";
    made.addEventListener("click", opens);
    return made;
  }

  function pill(sensitivity) {
    return element("span", sensitivity, `grade ${sensitivity}`);
  }

  function dayWords() {
    return state.day < 0 ? "this week" : `on ${data.head.days[state.day].label}`;
  }

  function discharges(at) {
    return at.map((k) => {
      const stop = stops[k];
      const grade = look.method_grades[stop.method] || "unknown";
      const told = [vp.METHODS[stop.method] || "Not decided", stop.gal === undefined ? "no forecast" : `${vp.roughly(Math.round(stop.gal))} gal`, stop.truck_id];
      const words = vp.add(element("span"), element("span", `${data.head.days[stop.day].label} ${stop.arrive} ${vaults.vault_id[stop.vault]}`), element("br"), element("span", told.join(", "), "note"));
      const mark = vp.swatch(26, 26, (context, x, y) => vp.bare(context, grade, x, y, 7 * SIZES[rank(stop)]));
      return button("stop", [mark, words], () => vp.openVault(stop.vault, true));
    });
  }

  function kept(at) {
    if (!at.length) return [];
    const listed = at.map((k) => button("stop", [
      vp.swatch(26, 26, (context, x, y) => vp.plate(context, left[k].outcome, x, y)),
      vp.add(element("span"), element("span", vaults.vault_id[left[k].vault]), element("br"), element("span", `${left[k].order_id}, ${vp.OUTCOMES[left[k].outcome].toLowerCase()}`, "note")),
    ], () => vp.openVault(left[k].vault, true)));
    return [element("h3", "Kept back, and would go there"), ...listed];
  }

  // A place with everything planned behind it, alone on the map until it is closed.
  function tell(heading, words, { stops: at, left: keptAt }, isMoving) {
    only(at, keptAt);
    vp.open([
      element("h2", heading),
      ...words,
      element("p", `${counted(at.length, "planned discharge", "planned discharges")} ${dayWords()}. ${at.length ? sum(at) : ""}`),
      ...discharges(at),
      ...kept(keptAt),
    ], isMoving);
    if (isMoving) lookAt();
  }

  function reopening(opens) {
    again = () => opens(false);
    opens(true);
  }

  function openWater(row) {
    reopening((isMoving) => tell(row.name, [
      vp.add(element("p"), pill(row.sensitivity), element("span", ` ${row.reason}`)),
      row.due.length ? element("p", `Notice due ${row.due.join(", ")}; the permit says whether and whom.`, "warning") : null,
    ], { stops: onDay(row.stops), left: row.left }, isMoving));
  }

  function tellOutfall(row) {
    const water = watched.find((each) => each.water_id === row.water_id);
    reopening((isMoving) => tell(row.name || `Outfall ${row.outfall_id}`, [
      element("p", `Outfall ${row.outfall_id}. ${row.water ? `Runs into ${row.water}.` : "Its water is not known."}`),
      water ? vp.add(element("p"), pill(water.sensitivity), element("span", ` ${water.reason}`)) : null,
    ], behindOutfall(row.outfall_id), isMoving));
  }

  function within({ rings }) {
    const inside = (row) => vp.isInside(rings, ...row.at);
    const places = (rows) => rows.map((row, k) => (inside(row) ? k : -1)).filter((k) => k >= 0);
    return { stops: onDay(places(stops)), left: places(left) };
  }

  function tellPlace(place) {
    const { row, kind } = place;
    if (kind === "concern" || kind === "areas") {
      reopening((isMoving) => tell(row.name || vp.PLACES[kind], [element("p", vp.placeWords(row, kind))], within(place), isMoving));
    } else {
      openWater(watched.find((water) => water.water_id === row.water_id));
    }
  }

  function fillLegend() {
    entry("stops", `Planned discharges (${vp.number(stops.length)})`, null, ["week"]);
    for (const [method, grade] of Object.entries(look.method_grades)) {
      if (method === "vacuum_truck") continue;
      entry(method, vp.METHODS[method], (context, x, y) => vp.bare(context, grade, x, y, 9), ["week"]);
    }
    still("Larger: stricter water, as the rules take it", (context, x, y) => {
      SIZES.forEach((size, k) => {
        if (k !== 2) vp.bare(context, "clear", x - 15 + [0, 12, 0, 22, 30][k], y, 5 * size);
      });
    });
    entry("paths", "Where the water runs", stripe({ strokeStyle: look.diverging[0], lineWidth: 2.4, dash: [2, 5] }), ["week"]);
    still("Below the outfall, as far as the waters' shapes tell", stripe({ strokeStyle: look.diverging[0], lineWidth: 3.5, dash: [1, 8], lineCap: "round" }));
    entry("left", `Orders held or referred (${vp.number(left.length)})`, null, ["week"]);
    for (const outcome of ["held", "referred"]) still(vp.OUTCOMES[outcome], (context, x, y) => vp.plate(context, outcome, x, y));
    group(`Vaults, likeliest look of the water on ${data.head.forecast_day}`);
    for (const grade of [...look.order].reverse()) {
      entry(grade, grade, (context, x, y) => vp.mark(context, grade, x, y, 7), ["vaults"]);
    }
    if (data.hexes) vp.legend.hexes();
    ground();
    still("Protected or high sensitivity", vp.legend.patch("#d3e4ec", "#0b4a72", 2.4));
    still("Outfall with its planned discharges, by whichever way", (context, x, y) => {
      vp.outfall(context, x - 8, y, 1.2);
      vp.label(context, "3", x + 4, y);
    });
  }

  function waterButton(row) {
    const at = onDay(row.stops);
    const told = [counted(at.length, "discharge", "discharges")];
    if (at.length) told.push(`${vp.roughly(Math.round(gallons(at)))} gal`);
    if (row.left.length) told.push(`${row.left.length} kept back`);
    if (row.due.length) told.push("notice due");
    const words = vp.add(element("span"), element("strong", row.name), " ", pill(row.sensitivity), element("br"), element("span", told.join(", "), "note"));
    return button("stop water", [words], () => openWater(row));
  }

  function outfallButtons() {
    const rows = data.ground.outfalls.map((row) => ({ row, ...behindOutfall(row.outfall_id) })).filter((each) => each.stops.length);
    rows.sort((a, b) => Math.min(...a.stops.map((k) => rank(stops[k]))) - Math.min(...b.stops.map((k) => rank(stops[k]))) || gallons(b.stops) - gallons(a.stops));
    return rows.map(({ row, stops: at }) => button("stop outfall", [vp.add(
      element("span"), element("strong", row.name || row.outfall_id), element("br"),
      element("span", `${row.water ? `into ${row.water}, ` : ""}${counted(at.length, "discharge", "discharges")}, ${vp.roughly(Math.round(gallons(at)))} gal`, "note"),
    )], () => tellOutfall(row)));
  }

  function concernButtons() {
    return vp.inks.places.filter((place) => place.kind === "concern").map((place) => {
      const { stops: at } = within(place);
      return button("stop concern", [vp.add(
        element("span"), element("strong", place.row.name || vp.PLACES.concern), element("br"),
        element("span", `${counted(at.length, "discharge", "discharges")} from within`, "note"),
      )], () => tellPlace(place));
    });
  }

  function fillList() {
    const list = byId("trips");
    list.replaceChildren(list.firstElementChild, ...watched.map(waterButton));
    for (const [title, rows] of [["Outfalls in use", outfallButtons()], ["Ground of concern", concernButtons()]]) {
      if (rows.length) vp.add(list, element("h2", title), ...rows);
    }
    if (data.overrides.length) {
      const listed = data.overrides.map((row) => element("li", `${row.vault_id}: ${row.what} by ${row.who}, until ${row.ends}`));
      vp.add(list, element("h2", "Overrides in force"), vp.add(element("ul", undefined, "note"), ...listed));
    }
  }

  function dayChanged() {
    fillList();
    if (again) again();
  }

  Object.assign(vp.view, { fillLegend, fillList, showAll, tellOutfall, tellPlace, dayChanged });
})(window.vaultplan);
