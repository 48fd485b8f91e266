// Lines of the legend: with a box where they can be switched off, still where they explain.
(function (vp) {
  "use strict";
  const { element, shown, repaint } = vp;
  const byId = (id) => document.getElementById(id);

  function entry(key, label, draw, names, height = 30) {
    const row = element("label", undefined, draw ? "entry" : "entry head");
    const box = element("input");
    box.type = "checkbox";
    box.checked = shown[key];
    box.dataset.layer = key;
    box.addEventListener("change", () => {
      shown[key] = box.checked;
      repaint(...names);
    });
    vp.add(byId("legend"), vp.add(row, box, draw && vp.swatch(40, height, draw), element("span", label)));
  }

  function still(label, draw, isTall) {
    const row = element("div", undefined, "entry still");
    byId("legend").append(vp.add(row, vp.swatch(40, isTall ? 40 : 30, draw), element("span", label, "note")));
  }

  function stripe(style) {
    return (context, x, y) => {
      Object.assign(context, style);
      context.setLineDash(style.dash || []);
      context.beginPath();
      context.moveTo(x - 14, y);
      context.lineTo(x + 14, y);
      context.stroke();
    };
  }

  function patch(pattern, edge, lineWidth = 1) {
    return (context, x, y) => {
      context.fillStyle = "#ffffff";
      context.fillRect(x - 13, y - 9, 26, 18);
      context.lineWidth = lineWidth;
      context.fillStyle = pattern;
      context.strokeStyle = edge;
      context.fillRect(x - 13, y - 9, 26, 18);
      context.strokeRect(x - 13, y - 9, 26, 18);
    };
  }

  function group(text) {
    byId("legend").append(element("p", text, "group"));
  }

  // Buttons of which one is pressed; choose(key) is called with it, and once at the start.
  function choice(options, chosen, choose, label) {
    const row = element("div", undefined, "days");
    row.setAttribute("role", "group");
    row.setAttribute("aria-label", label);
    const press = (key) => {
      for (const button of row.children) button.setAttribute("aria-pressed", String(button.dataset.key === key));
      choose(key);
    };
    for (const [key, text] of options) {
      const button = element("button", text, "plain");
      button.type = "button";
      button.dataset.key = key;
      button.addEventListener("click", () => press(key));
      row.append(button);
    }
    press(chosen);
    return row;
  }

  function ground() {
    group("Ground and waters");
    if (vp.data.basemap) entry("basemap", "Basemap (from the network)", null, ["ground"]);
    entry("outfalls", "Outfalls", (context, x, y) => vp.outfall(context, x, y, 1), ["week"]);
    entry("areas", "Sensitive areas", patch(vp.hatched.areas, "#8a5a24"), ["ground"]);
    entry("concern", "Ground of concern", patch(vp.hatched.concern, "#6b3a0a"), ["ground"]);
    entry("yards", "Yards", (context, x, y) => vp.yard(context, x, y, false), ["week"]);
    still("Disposal sites", (context, x, y) => vp.yard(context, x, y, true));
    still("Receiving waters", patch("#d3e4ec", "#a9c3d0"));
  }

  // The fleet's hexes: a box for what is known and one for what is not.
  function hexes() {
    group(`All ${vp.number(vp.data.head.vault_count)} vaults, counted in hexes; points from closer in`);
    entry("hexes", "Hexes", hexOf(vp.look.sequential[2]), ["vaults"]);
    entry("unknown_hexes", "Hexes where no grade was ever seen: not known", hexOf(vp.hatched.unknown), ["vaults"]);
  }

  function hexOf(fill) {
    return (context, x, y) => {
      context.beginPath();
      for (let k = 0; k < 6; k += 1) context.lineTo(x + 11 * Math.cos((k * Math.PI) / 3), y + 11 * Math.sin((k * Math.PI) / 3));
      context.closePath();
      context.fillStyle = "#ffffff";
      context.fill();
      context.fillStyle = fill;
      context.fill();
      context.strokeStyle = vp.look.outline;
      context.stroke();
    };
  }

  // Colours side by side with what each begins at, and signs inside where their ends look alike.
  function ramp(colours, limits, signs = []) {
    const scale = element("div", undefined, "ramp");
    scale.style.gridTemplateColumns = `repeat(${colours.length}, 1fr)`;
    scale.append(...colours.map((colour, k) => {
      const piece = element("span", signs[k] || "");
      piece.style.background = colour;
      if (signs.length && (k === 0 || k === colours.length - 1)) piece.style.color = "#ffffff";
      return piece;
    }), ...limits.map((limit) => element("b", limit)));
    return scale;
  }

  vp.legend = { hexes, hexOf, ramp, entry, still, stripe, patch, group, choice, ground };
})(window.vaultplan);
