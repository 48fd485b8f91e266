// The analyst's map: where dirty water was seen, drawn in by how often people looked.
(function (vp) {
  "use strict";
  const { data, look, element, shown, repaint } = vp;
  const { entry, group, choice, ramp, ground } = vp.legend;
  const { filter, refilter, limits } = vp.records;
  const { records } = data;
  const byId = (id) => document.getElementById(id);
  shown.outfalls = false;
  shown.yards = false;
  const QUARTERS = ["Jan - Mar", "Apr - Jun", "Jul - Sep", "Oct - Dec"];

  function change(changes) {
    refilter(changes);
    vp.regrade();
    tellCounts();
    if (vp.state.vault >= 0 && !byId("story").hidden) vp.openVault(vp.state.vault);
    repaint("vaults", "week");
  }

  function years(label, key) {
    const box = element("select");
    for (let year = records.first_year; year <= records.last_year; year += 1) {
      const option = element("option", String(year));
      option.value = String(year);
      box.append(option);
    }
    box.value = String(filter[key]);
    box.addEventListener("change", () => {
      const chosen = Number(box.value);
      const other = key === "from" ? { to: Math.max(filter.to, chosen) } : { from: Math.min(filter.from, chosen) };
      change({ [key]: chosen, ...other });
      for (const each of document.querySelectorAll("select[data-year]")) each.value = String(filter[each.dataset.year]);
    });
    box.dataset.year = key;
    return vp.add(element("label", undefined, "pick"), element("span", label), box);
  }

  function fillList() {
    const parts = byId("trips");
    const seasons = element("fieldset");
    seasons.append(element("legend", "Seasons"));
    QUARTERS.forEach((label, quarter) => {
      const box = element("input");
      box.type = "checkbox";
      box.checked = true;
      box.addEventListener("change", () => {
        const others = filter.quarters.filter((each) => each !== quarter);
        change({ quarters: box.checked ? [...others, quarter] : others });
      });
      seasons.append(vp.add(element("label", undefined, "pick"), box, element("span", label)));
    });
    const kinds = choice([["dirty", "Light or heavy"], ["heavy", "Heavy only"]], "dirty", (kind) => {
      if (kind !== filter.kind) change({ kind });
    }, "What counts as dirty");
    parts.append(
      element("p", "A picture of what was recorded, not a test for clusters: a hex may stand out by chance, and nobody looks everywhere equally often."),
      kinds, vp.add(element("div", undefined, "pair"), years("From year", "from"), years("to", "to")), seasons,
    );
    const counts = element("p", undefined, "note");
    counts.id = "counts";
    counts.setAttribute("aria-live", "polite");
    parts.append(counts);
    tellCounts();
  }

  function tellCounts() {
    const { looks, dirty } = vp.records.fleet();
    const share = looks ? `, ${vp.records.percent(dirty / looks)} of them ${vp.records.word()}` : "";
    const box = byId("counts");
    if (box) box.textContent = `${vp.number(looks)} graded looks${share}. Shares of places seen seldom are drawn toward that of the fleet (beta-binomial, by moments; Kleinman 1973).`;
  }

  function fillLegend() {
    group("Share of dirty looks, by hex");
    entry("hexes", "Hexes", vp.legend.hexOf(look.sequential[3]), ["vaults"]);
    const scale = element("div");
    const show = (key) => {
      filter.against = key === "against";
      const { TIMES, SIGNS } = vp.records;
      scale.replaceChildren(filter.against
        ? ramp(look.diverging, ["less", ...TIMES.map((times) => `${times}×`)], SIGNS)
        : ramp(look.sequential, [0, ...limits].map((limit) => `${limit} %`)));
      repaint("vaults");
    };
    const options = [["share", "Share"], ["against", "Times the fleet's share"]];
    byId("legend").append(choice(options, "share", show, "Colour of the hexes"), scale);
    entry("unknown_hexes", `Fewer than ${vp.records.LEAST_LOOKS} graded looks: not known`, vp.legend.hexOf(vp.hatched.unknown), ["vaults"]);
    group("Vaults, last grade seen; from closer in");
    for (const grade of [...look.order].reverse()) {
      const label = grade === "unknown" ? "no grade in these years and seasons: not known" : grade;
      entry(grade, label, (context, x, y) => vp.mark(context, grade, x, y, 7), ["vaults"]);
    }
    if (data.head.vault_count > data.vaults.vault_id.length) {
      byId("legend").append(element("p", `Points: the ${vp.number(data.vaults.vault_id.length)} vaults seen dirty most often, of ${vp.number(data.head.vault_count)}; hexes count all.`, "note"));
    }
    ground();
  }

  Object.assign(vp.view, { fillLegend, fillList });
})(window.vaultplan);
