// Names on the map: each stands where it covers no mark and no other name, or not at all.
(function (vp) {
  "use strict";
  const FONT = "Charter, Georgia, 'Noto Serif', serif";
  const TRIES = 14; // places tried along each side of the view for a name inside an area

  function placeOf(ink, world) {
    return [world[0] * ink.scale - ink.origin.x, world[1] * ink.scale - ink.origin.y];
  }

  // How many marks stand in each cell of the view.
  function crowd(ink, marks) {
    const cell = 12;
    const counts = new Map();
    const key = (x, y) => `${Math.floor(x / cell)},${Math.floor(y / cell)}`;
    for (const { x, y, r } of marks) {
      for (let at = -r; at <= r; at += cell) {
        for (let down = -r; down <= r; down += cell) counts.set(key(x + at, y + down), true);
      }
    }
    return (box) => {
      for (let x = box.x - box.rx; x <= box.x + box.rx; x += cell) {
        for (let y = box.y - box.ry; y <= box.y + box.ry; y += cell / 2) if (counts.has(key(x, y))) return true;
      }
      return false;
    };
  }

  const overlap = (a, b) => Math.abs(a.x - b.x) < a.rx + b.rx && Math.abs(a.y - b.y) < a.ry + b.ry;

  function isInside(rings, x, y) {
    let inside = false;
    for (const { at } of rings) {
      for (let i = 2; i < at.length; i += 2) {
        const [ax, ay, bx, by] = [at[i - 2], at[i - 1], at[i], at[i + 1]];
        if ((ay > y) !== (by > y) && x < ((bx - ax) * (y - ay)) / (by - ay) + ax) inside = !inside;
      }
    }
    return inside;
  }

  function isAlong(lines, x, y, reach) {
    return lines.some(({ at }) => {
      for (let i = 2; i < at.length; i += 2) {
        const [ax, ay] = [at[i - 2], at[i - 1]];
        const [dx, dy] = [at[i] - ax, at[i + 1] - ay];
        const part = Math.max(0, Math.min(1, ((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy)));
        if (Math.hypot(x - ax - part * dx, y - ay - part * dy) <= reach) return true;
      }
      return false;
    });
  }

  // Inside an area: its own place for a name first, then all over its visible part, nearest first.
  function spotsInside(ink, named, reach) {
    const { rings, at } = named;
    const rooms = reach / ink.scale;
    const spots = [{ x: at[0], y: at[1], cost: 0 }];
    const west = Math.max(ink.seen.west, Math.min(...rings.map((ring) => ring.west)));
    const east = Math.min(ink.seen.east, Math.max(...rings.map((ring) => ring.east)));
    const north = Math.max(ink.seen.north, Math.min(...rings.map((ring) => ring.north)));
    const south = Math.min(ink.seen.south, Math.max(...rings.map((ring) => ring.south)));
    if (west >= east || north >= south) return spots;
    for (let i = 0; i <= TRIES; i += 1) {
      for (let k = 0; k <= TRIES; k += 1) {
        const x = west + (i * (east - west)) / TRIES;
        const y = north + (k * (south - north)) / TRIES;
        if (!isInside(rings, x, y)) continue;
        const stays = isInside(rings, x - rooms, y) && isInside(rings, x + rooms, y);
        spots.push({ x, y, cost: (stays ? 0 : 1e6) + Math.hypot(x - at[0], y - at[1]) + (1e-9) });
      }
    }
    const firstStays = isInside(rings, at[0] - rooms, at[1]) && isInside(rings, at[0] + rooms, at[1]);
    spots[0].cost = firstStays ? 0 : 1e6;
    return spots.sort((a, b) => a.cost - b.cost);
  }

  // Along a line: the middle of its visible part first, then away from it.
  function spotsAlong(ink, named) {
    const seen = [];
    for (const shape of named.lines) {
      if (!vp.isNear(ink, shape)) continue;
      for (let i = 2; i < shape.at.length; i += 2) {
        const [ax, ay, bx, by] = [shape.at[i - 2], shape.at[i - 1], shape.at[i], shape.at[i + 1]];
        const pieces = Math.max(1, Math.ceil((Math.hypot(bx - ax, by - ay) * ink.scale) / 24));
        for (let k = 0; k < pieces; k += 1) {
          const x = ax + ((k + 0.5) * (bx - ax)) / pieces;
          const y = ay + ((k + 0.5) * (by - ay)) / pieces;
          if (x > ink.seen.west && x < ink.seen.east && y > ink.seen.north && y < ink.seen.south) seen.push({ x, y });
        }
      }
    }
    const middle = (seen.length - 1) / 2;
    return seen
      .map((spot, place) => ({ ...spot, cost: Math.abs(place - middle) }))
      .sort((a, b) => a.cost - b.cost);
  }

  // Names with the place where each is written; a name without a free place is left out.
  function layOut(ink, names, marks, closed) {
    const { context } = ink;
    const isCrowded = crowd(ink, marks);
    const taken = [...closed];
    const laid = [];
    context.save();
    for (const named of names) {
      context.font = fontOf(named);
      const half = context.measureText(named.name).width / 2;
      const spots = named.rings.length ? spotsInside(ink, named, half + 4) : spotsAlong(ink, named);
      for (const spot of spots) {
        const [x, y] = placeOf(ink, [spot.x, spot.y]);
        const box = { x, y, rx: half + 5, ry: 11 };
        if (!isSeen(ink, box) || taken.some((other) => overlap(other, box)) || isCrowded(box)) continue;
        taken.push(box);
        laid.push({ ...named, ...box });
        break;
      }
    }
    context.restore();
    return laid;
  }

  function isSeen(ink, box) {
    const [west, north] = placeOf(ink, [ink.seen.west, ink.seen.north]);
    const [east, south] = placeOf(ink, [ink.seen.east, ink.seen.south]);
    return box.x - box.rx > west && box.x + box.rx < east && box.y - box.ry > north && box.y + box.ry < south;
  }

  function fontOf(named) {
    return `italic ${named.size}px ${FONT}`;
  }

  function write(ink, laid) {
    const { context } = ink;
    context.save();
    context.textAlign = "center";
    context.textBaseline = "middle";
    for (const named of laid) {
      context.font = fontOf(named);
      context.save();
      context.translate(named.x, named.y);
      halo(context, named.name, named.around, named.ink);
      context.restore();
    }
    context.restore();
  }

  // Text along the longest visible piece of each named line, without overlaps.
  function nameLines(ink, named, laid) {
    const { context } = ink;
    const taken = laid.map(({ x, y, rx, ry }) => ({ x, y, rx, ry }));
    context.save();
    context.font = "14px 'Noto Sans', 'Segoe UI', Arial, sans-serif";
    context.textAlign = "center";
    context.textBaseline = "middle";
    for (const { name, lines } of named) {
      const width = context.measureText(name).width;
      let best = null;
      for (const shape of lines) {
        if (!vp.isNear(ink, shape)) continue;
        for (let i = 2; i < shape.at.length; i += 2) {
          const piece = clipped(ink, shape.at, i);
          if (piece && (!best || piece.length > best.length)) best = piece;
        }
      }
      if (!best || best.length * ink.scale < width + 24) continue;
      const [x, y] = placeOf(ink, [best.x, best.y]);
      const leaning = Math.atan(best.slope);
      const turned = leaning > 1.4 ? leaning - Math.PI : leaning;
      const box = { x, y, rx: (width / 2) * Math.abs(Math.cos(turned)) + 9, ry: (width / 2) * Math.abs(Math.sin(turned)) + 9 };
      if (taken.some((other) => overlap(other, box))) continue;
      taken.push(box);
      context.save();
      context.translate(x, y);
      context.rotate(turned);
      halo(context, name, "#f7f5f0", "#5f594e");
      context.restore();
    }
    context.restore();
  }

  function clipped(ink, at, i) {
    const [ax, ay, bx, by] = [at[i - 2], at[i - 1], at[i], at[i + 1]];
    let [from, to] = [0, 1];
    for (const [p, q] of [[ax - bx, ax - ink.west], [bx - ax, ink.east - ax], [ay - by, ay - ink.north], [by - ay, ink.south - ay]]) {
      if (p === 0 && q < 0) return null;
      if (p < 0) from = Math.max(from, q / p);
      if (p > 0) to = Math.min(to, q / p);
    }
    if (from >= to) return null;
    const middle = (from + to) / 2;
    return {
      length: (to - from) * Math.hypot(bx - ax, by - ay),
      x: ax + middle * (bx - ax), y: ay + middle * (by - ay),
      slope: bx === ax ? Infinity : (by - ay) / (bx - ax),
    };
  }

  function halo(context, text, around, ink) {
    context.lineWidth = 4;
    context.lineJoin = "round";
    context.strokeStyle = around;
    context.strokeText(text, 0, 0);
    context.fillStyle = ink;
    context.fillText(text, 0, 0);
  }

  Object.assign(vp, { isInside, isAlong, layOut, nameLines, write });
})(window.vaultplan);
