'use strict';
// Draws the fleet from tiles: points near by, sums from afar. Nothing but the board is asked.
(() => {
  const canvas = document.getElementById('map');
  const pen = canvas.getContext('2d');
  const named = document.getElementById('named');
  const { csrf } = canvas.dataset;
  const sideFt = Number(canvas.dataset.sideFt);
  const most = Number(canvas.dataset.most);
  const streetsFrom = Number(canvas.dataset.streets);
  const colours = canvas.dataset.colours.trim().split(' ');
  const INK = '#222222';
  const STREET = '#b9b3a6';
  const SUM = [79, 47, 127];
  const STEPS = 65535;
  const CELLS = 32;
  const TILE = 384;
  const KEPT = 600;
  // Middle of the view in shares of the whole square, y upward, and pixels per side of it.
  let middle = [0.5, 0.5];
  let size = 600;
  const tiles = new Map();
  const streets = new Map();
  let drawn = [];

  const level = () => Math.max(0, Math.min(most, Math.ceil(Math.log2(size / TILE))));
  const fetched = (kept, path, read) => {
    if (kept.has(path)) return kept.get(path);
    kept.set(path, null);
    if (kept.size > KEPT) kept.delete(kept.keys().next().value);
    fetch(path).then(async (answer) => {
      if (!answer.ok) throw new Error(answer.status);
      kept.set(path, await read(answer));
      paint();
    }).catch(() => { setTimeout(() => kept.delete(path), 3000); });
    return null;
  };
  const unpacked = async (answer) => {
    const bytes = await answer.arrayBuffer();
    if (!bytes.byteLength) return { kind: 0, count: 0 };
    const head = new DataView(bytes);
    const kind = head.getUint8(0);
    const count = head.getUint32(4, true);
    const numbers = (at) => new Uint32Array(bytes.slice(at, at + 4 * count));
    if (kind === 1) {
      return {
        kind, count, number: numbers(8),
        place: new Uint16Array(bytes.slice(8 + 4 * count, 8 + 8 * count)),
        grade: new Uint8Array(bytes, 8 + 8 * count, count),
      };
    }
    return {
      kind, count, vaults: numbers(8), graded: numbers(8 + 4 * count), dirty: numbers(8 + 8 * count),
      place: new Uint8Array(bytes, 8 + 12 * count, 2 * count),
    };
  };

  const width = () => canvas.clientWidth;
  const height = () => canvas.clientHeight;
  const toX = (x) => width() / 2 + (x - middle[0]) * size;
  const toY = (y) => height() / 2 - (y - middle[1]) * size;
  const seen = () => {
    const n = 2 ** level();
    const of = (value) => Math.max(0, Math.min(n - 1, Math.floor(value * n)));
    const halfX = width() / 2 / size;
    const halfY = height() / 2 / size;
    const found = [];
    for (let c = of(middle[0] - halfX); c <= of(middle[0] + halfX); c += 1) {
      for (let r = of(middle[1] - halfY); r <= of(middle[1] + halfY); r += 1) found.push([c, r]);
    }
    return found;
  };
  const mark = (grade, x, y, r) => {
    pen.beginPath();
    if (grade === 1) pen.arc(x, y, r, 0, 2 * Math.PI);
    else if (grade === 2) pen.rect(x - 0.85 * r, y - 0.85 * r, 1.7 * r, 1.7 * r);
    else if (grade === 3) {
      pen.moveTo(x, y - 1.1 * r);
      pen.lineTo(x + 1.1 * r, y + 0.9 * r);
      pen.lineTo(x - 1.1 * r, y + 0.9 * r);
      pen.closePath();
    } else {
      pen.moveTo(x, y - 1.15 * r);
      pen.lineTo(x + 1.15 * r, y);
      pen.lineTo(x, y + 1.15 * r);
      pen.lineTo(x - 1.15 * r, y);
      pen.closePath();
    }
    pen.fillStyle = colours[grade];
    pen.fill();
    pen.stroke();
  };
  const points = (tile, left, low, side) => {
    const radius = Math.max(2.5, Math.min(9, (60 * size) / sideFt));
    pen.lineWidth = radius > 4 ? 1 : 0.5;
    pen.strokeStyle = INK;
    for (let i = 0; i < tile.count; i += 1) {
      const x = left + (tile.place[2 * i] / STEPS) * side;
      const y = low - (tile.place[2 * i + 1] / STEPS) * side;
      mark(tile.grade[i], x, y, radius);
      drawn.push([x, y, tile.number[i]]);
    }
  };
  const sums = (tile, left, low, side) => {
    const cell = side / CELLS;
    for (let i = 0; i < tile.count; i += 1) {
      const share = tile.graded[i] ? tile.dirty[i] / tile.graded[i] : 0;
      const full = Math.min(1, 0.35 + 0.2 * Math.log10(1 + tile.vaults[i]));
      const pale = SUM.map((part) => Math.round(232 + (part - 232) * share));
      pen.fillStyle = `rgb(${pale.join(',')})`;
      pen.strokeStyle = '#8a857b';
      pen.lineWidth = 0.6;
      const edge = cell * full;
      const x = left + tile.place[2 * i] * cell + (cell - edge) / 2;
      const y = low - tile.place[2 * i + 1] * cell - (cell + edge) / 2;
      pen.fillRect(x, y, edge, edge);
      pen.strokeRect(x, y, edge, edge);
    }
  };
  const lines = (list, left, low, side) => {
    pen.strokeStyle = STREET;
    pen.lineWidth = 1.4;
    pen.beginPath();
    for (const flat of list) {
      for (let i = 0; i < flat.length; i += 2) {
        const x = left + (flat[i] / STEPS) * side;
        const y = low - (flat[i + 1] / STEPS) * side;
        if (i) pen.lineTo(x, y);
        else pen.moveTo(x, y);
      }
    }
    pen.stroke();
  };

  let isAsked = false;
  function paint() {
    if (isAsked) return;
    isAsked = true;
    requestAnimationFrame(() => {
      isAsked = false;
      const ratio = window.devicePixelRatio || 1;
      if (canvas.width !== Math.round(width() * ratio)) canvas.width = Math.round(width() * ratio);
      if (canvas.height !== Math.round(height() * ratio)) canvas.height = Math.round(height() * ratio);
      pen.setTransform(ratio, 0, 0, ratio, 0, 0);
      pen.fillStyle = '#ffffff';
      pen.fillRect(0, 0, width(), height());
      drawn = [];
      const z = level();
      const n = 2 ** z;
      const side = size / n;
      const held = seen().map(([c, r]) => ({ c, r, left: toX(c / n), low: toY(r / n) }));
      if (z >= streetsFrom) {
        for (const { c, r, left, low } of held) {
          const list = fetched(streets, `/api/streets/${z}/${c}/${r}`, (answer) => answer.json());
          if (list) lines(list, left, low, side);
        }
      }
      let waits = 0;
      for (const { c, r, left, low } of held) {
        const tile = fetched(tiles, `/api/tiles/${z}/${c}/${r}`, unpacked);
        if (!tile) waits += 1;
        else if (tile.kind === 1) points(tile, left, low, side);
        else if (tile.kind === 2) sums(tile, left, low, side);
      }
      const feet = (100 / size) * sideFt;
      const round = Number(feet.toPrecision(1));
      document.getElementById('scale').textContent = `${Math.round((round / feet) * 100)} pixels are ${
        round >= 5280 ? `${(round / 5280).toFixed(1)} miles` : `${round.toLocaleString('en-US')} ft`}`;
      document.documentElement.dataset.tiles = waits ? 'wait' : 'all';
    });
  }
  const zoom = (times, x = width() / 2, y = height() / 2) => {
    const before = size;
    size = Math.max(300, Math.min(TILE * 2 ** most, size * times));
    const gain = 1 / before - 1 / size;
    middle[0] += (x - width() / 2) * gain;
    middle[1] -= (y - height() / 2) * gain;
    paint();
  };
  const shift = (dx, dy) => {
    middle[0] -= dx / size;
    middle[1] += dy / size;
    paint();
  };
  const name = async (x, y) => {
    const near = drawn.map(([px, py, number]) => [Math.hypot(px - x, py - y), number])
      .filter(([far]) => far < 24).sort((a, b) => a[0] - b[0]).slice(0, 8);
    named.replaceChildren();
    if (!near.length) {
      named.textContent = 'No single vault is drawn there; come nearer.';
      return;
    }
    const answer = await fetch('/api/tiles/vaults', {
      method: 'POST',
      headers: { 'content-type': 'application/json', 'x-csrf-token': csrf },
      body: JSON.stringify({ numbers: near.map(([, number]) => number) }),
    });
    for (const id of await answer.json()) {
      const link = document.createElement('a');
      link.href = `/vault/${encodeURIComponent(id)}`;
      link.textContent = id;
      link.className = 'near';
      named.append(link);
    }
  };

  let held = null;
  canvas.addEventListener('pointerdown', (event) => {
    held = { x: event.offsetX, y: event.offsetY, far: 0 };
    canvas.setPointerCapture(event.pointerId);
  });
  canvas.addEventListener('pointermove', (event) => {
    if (!held) return;
    const [dx, dy] = [event.offsetX - held.x, event.offsetY - held.y];
    held = { x: event.offsetX, y: event.offsetY, far: held.far + Math.abs(dx) + Math.abs(dy) };
    shift(dx, dy);
  });
  canvas.addEventListener('pointerup', (event) => {
    if (held && held.far < 5) name(event.offsetX, event.offsetY);
    held = null;
  });
  canvas.addEventListener('wheel', (event) => {
    event.preventDefault();
    zoom(event.deltaY < 0 ? 1.25 : 0.8, event.offsetX, event.offsetY);
  }, { passive: false });
  canvas.addEventListener('keydown', (event) => {
    const moves = { ArrowLeft: [80, 0], ArrowRight: [-80, 0], ArrowUp: [0, 80], ArrowDown: [0, -80] };
    if (moves[event.key]) shift(...moves[event.key]);
    else if (event.key === '+' || event.key === '=') zoom(1.5);
    else if (event.key === '-') zoom(1 / 1.5);
    else if (event.key === 'Enter') name(width() / 2, height() / 2);
    else return;
    event.preventDefault();
  });
  document.getElementById('nearer').addEventListener('click', () => zoom(1.5));
  document.getElementById('farther').addEventListener('click', () => zoom(1 / 1.5));
  addEventListener('resize', paint);
  size = Math.min(width(), height());
  paint();
})();
