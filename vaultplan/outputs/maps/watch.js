// The specialist's map: planned discharges by the water they reach, strictest water first.
(function (vp) {
  "use strict";
  const { data, look, element, state, shown, repaint } = vp;
  const { entry, still, stripe, group, ground } = vp.legend;
  const map = window.map_week;
  const { vaults, stops, left, watched } = data;
  const byId = (id) => document.getElementById(id);
  for (const grade of look.order) shown[grade] = false;

  // Only these discharges and what is kept back behind the same place; null shows everything.
  function show(stopsAt, leftAt) {
    state.only = new Set([...stopsAt.map((at) => stops[at]), ...leftAt.map((at) => left[at])]);
    repaint("week");
  }

  function showAll() {
    state.only = null;
    repaint("week");
  }

  function lookAt(rows) {
    if (!rows.length) return;
    const bounds = L.latLngBounds(rows.map((row) => vp.latLng(row.x, row.y)));
    map.fitBounds(bounds, { padding: [60, 60], maxZoom: 16, animate: false });
  }

  function counted(count, one, many) {
    return `${vp.number(count)} ${count === 1 ? one : many}`;
  }

  function sum(at) {
    const known = at.map((k) => stops[k].gal).filter((gal) => gal !== undefined);
    const gone = at.length - known.length;
    const total = vp.roughly(known.reduce((all, gal) => all + gal, 0));
    return `${total} gal expected in all, a sum of means${gone ? `; ${gone} without a forecast` : ""}.`;
  }

  function discharges(at) {
    return at.map((k) => {
      const stop = stops[k];
      const button = element("button", undefined, "stop");
      button.type = "button";
      const grade = look.method_grades[stop.method] || "unknown";
      const day = data.head.days[stop.day].label;
      const what = vp.add(element("span"), element("span", `${day} ${stop.arrive} ${vaults.vault_id[stop.vault]}`), element("br"),
        element("span", `${vp.METHODS[stop.method] || "Not decided"}${stop.gal === undefined ? "" : `, ${vp.roughly(stop.gal)} gal`}, ${stop.truck_id}`, "note"));
      vp.add(button, vp.swatch(26, 26, (context, x, y) => vp.mark(context, grade, x, y, 7)), what);
      button.addEventListener("click", () => vp.openVault(stop.vault, true));
      return button;
    });
  }

  function kept(at) {
    if (!at.length) return [];
    const listed = element("ul", undefined, "note");
    for (const k of at) listed.append(element("li", `${left[k].order_id}, ${vaults.vault_id[left[k].vault]}: ${vp.OUTCOMES[left[k].outcome]}`));
    return [element("h3", "Kept back, and would reach it"), listed];
  }

  function openWater(row) {
    show(row.stops, row.left);
    lookAt([...row.stops.map((k) => stops[k]), ...row.left.map((k) => left[k])]);
    vp.open([
      element("h2", row.name),
      vp.add(element("p"), element("span", row.sensitivity, `grade ${row.sensitivity}`), element("span", ` ${row.reason}`)),
      element("p", `${counted(row.stops.length, "planned discharge reaches", "planned discharges reach")} it. ${row.stops.length ? sum(row.stops) : ""}`),
      row.due.length ? element("p", `Notice due ${row.due.join(", ")}; the permit says whether and whom.`, "warning") : null,
      ...discharges(row.stops),
      ...kept(row.left),
    ]);
  }

  function behind(outfall) {
    const mine = (row) => row.vault !== undefined && vp.word("outfall_id", row.vault) === outfall;
    return [stops, left].map((rows) => rows.map((row, k) => (mine(row) ? k : -1)).filter((k) => k >= 0));
  }

  function tellOutfall(row) {
    const [at, keptAt] = behind(row.outfall_id);
    show(at, keptAt);
    return [
      element("p", `${counted(at.length, "planned discharge", "planned discharges")} by this outfall. ${at.length ? sum(at) : ""}`),
      ...discharges(at),
      ...kept(keptAt),
    ];
  }

  function fillLegend() {
    entry("stops", `Planned discharges (${vp.number(stops.length)})`, null, ["week"]);
    for (const [method, grade] of Object.entries(look.method_grades)) {
      if (method === "vacuum_truck") continue;
      still(vp.METHODS[method], (context, x, y) => vp.bare(context, grade, x, y, 9));
    }
    entry("paths", "Where the water runs", stripe({ strokeStyle: look.diverging[0], lineWidth: 2.4, dash: [2, 5] }), ["week"]);
    still("Below the outfall, as far as the waters' shapes tell", stripe({ strokeStyle: look.diverging[0], lineWidth: 3.5, dash: [1, 8], lineCap: "round" }));
    entry("left", `Orders held or referred (${vp.number(left.length)})`, null, ["week"]);
    for (const outcome of ["held", "referred"]) still(vp.OUTCOMES[outcome], (context, x, y) => vp.plate(context, outcome, x, y));
    group(`Vaults, likeliest look of the water on ${data.head.forecast_day}`);
    for (const grade of [...look.order].reverse()) {
      entry(grade, grade, (context, x, y) => vp.mark(context, grade, x, y, 7), ["vaults"]);
    }
    ground();
  }

  function fillList() {
    for (const row of watched) {
      const button = element("button", undefined, "stop water");
      button.type = "button";
      const told = [counted(row.stops.length, "discharge", "discharges")];
      if (row.gal) told.push(`${vp.roughly(row.gal)} gal`);
      if (row.left.length) told.push(`${row.left.length} kept back`);
      if (row.due.length) told.push("notice due");
      const words = vp.add(element("span"), element("strong", row.name), element("span", ` ${row.sensitivity}`, `grade ${row.sensitivity}`), element("br"), element("span", told.join(", "), "note"));
      button.append(words);
      button.addEventListener("click", () => openWater(row));
      byId("trips").append(button);
    }
    if (data.overrides.length) {
      byId("trips").append(element("h2", "Overrides in force"));
      const listed = element("ul", undefined, "note");
      for (const row of data.overrides) listed.append(element("li", `${row.vault_id}: ${row.what} by ${row.who}, until ${row.ends}`));
      byId("trips").append(listed);
    }
  }

  Object.assign(vp.view, {
    title: `Watch-list: ${data.head.week}`,
    listTitle: "Waters, strictest first",
    hasNumbers: false, isListFirst: true, fillLegend, fillList, showAll, tellOutfall,
  });
})(window.vaultplan);
