'use strict';
// Orders moved from one crew's day to another, by drag or by keyboard; the server says whether it fits.
(() => {
  const told = document.getElementById('told');
  let grid = document.getElementById('grid');
  let picked = null;
  let target = null;

  const cells = () => [...grid.querySelectorAll('td[data-truck]')];
  const say = (words, isAlarm = false) => {
    told.className = isAlarm ? 'told alarm' : 'told done';
    told.replaceChildren();
    for (const line of words) {
      const paragraph = document.createElement('p');
      paragraph.textContent = line;
      told.append(paragraph);
    }
  };
  const named = (cell) => `${cell.dataset.truck}, ${cell.dataset.day}`;
  const aim = (cell) => {
    target?.classList.remove('target');
    target = cell;
    target?.classList.add('target');
    target?.scrollIntoView({ block: 'nearest', inline: 'nearest' });
  };
  const drop = () => {
    picked?.classList.remove('picked');
    picked?.setAttribute('aria-pressed', 'false');
    picked = null;
    aim(null);
  };

  // The page as the server has it now; what is around the grid changes with it.
  const renew = async (order) => {
    const answer = await fetch(location.pathname + location.search);
    const page = new DOMParser().parseFromString(await answer.text(), 'text/html');
    for (const id of ['state', 'grid', 'asked', 'left']) {
      const fresh = page.getElementById(id);
      const here = document.getElementById(id);
      if (fresh && here) here.replaceWith(fresh);
    }
    grid = document.getElementById('grid');
    wire();
    if (order) grid.querySelector(`[data-order="${CSS.escape(order)}"]`)?.focus();
  };

  const insist = (order, cell, words) => {
    const button = document.createElement('button');
    button.type = 'button';
    button.textContent = 'Keep it there, others make room';
    button.addEventListener('click', () => move(order, cell, true));
    say([`${order} stays where it was: ${words}.`], true);
    told.append(button);
  };

  const move = async (order, cell, insists) => {
    document.documentElement.dataset.moving = '';
    say([`${order} to ${named(cell)}: looking whether every limit holds.`]);
    try {
      const answer = await fetch('/api/moves', {
        method: 'POST',
        headers: { 'content-type': 'application/json', 'x-csrf-token': told.dataset.csrf },
        body: JSON.stringify({
          plan_id: grid.dataset.plan, revision: grid.dataset.revision, order_id: order,
          truck_id: cell.dataset.truck, on: cell.dataset.on, insists,
        }),
      });
      const found = await answer.json();
      if (found.is_done) {
        await renew(order);
        say([found.words]);
      } else if (found.is_conflict) {
        await renew(order);
        say([`${order} was not moved: ${found.words}. You now see it as it is.`, ...found.others], true);
      } else if (found.words) {
        insist(order, cell, found.words);
      } else {
        say([`${order} was not moved: ${found.detail ?? 'the board could not take it'}`], true);
      }
    } catch {
      say([`${order} was not moved: no connection.`], true);
    }
    delete document.documentElement.dataset.moving;
  };

  const pick = (item) => {
    drop();
    picked = item;
    item.classList.add('picked');
    item.setAttribute('aria-pressed', 'true');
    aim(item.closest('td'));
    say([`${item.dataset.order} is picked up. Arrow keys choose a crew's day, Enter puts it down.`]);
  };
  const step = (key) => {
    const all = cells();
    const row = (cell) => cell.closest('tr').rowIndex;
    const next = all.filter((cell) => (
      key === 'ArrowRight' ? row(cell) === row(target) && cell.cellIndex > target.cellIndex
        : key === 'ArrowLeft' ? row(cell) === row(target) && cell.cellIndex < target.cellIndex
          : key === 'ArrowDown' ? cell.cellIndex === target.cellIndex && row(cell) > row(target)
            : cell.cellIndex === target.cellIndex && row(cell) < row(target)));
    const found = key === 'ArrowRight' || key === 'ArrowDown' ? next[0] : next.at(-1);
    if (found) {
      aim(found);
      say([named(found)]);
    }
  };
  const put = (cell) => {
    const order = picked.dataset.order;
    const stays = cell === picked.closest('td');
    drop();
    if (stays) say([`${order} stays where it was.`]);
    else move(order, cell, false);
  };

  const wire = () => {
    for (const item of grid.querySelectorAll('[data-order]')) {
      item.setAttribute('aria-pressed', 'false');
      item.addEventListener('dragstart', (event) => {
        event.dataTransfer.setData('text/plain', item.dataset.order);
        event.dataTransfer.effectAllowed = 'move';
        picked = item;
      });
      item.addEventListener('dragend', drop);
      item.addEventListener('click', () => { if (picked !== item) pick(item); });
    }
    for (const cell of cells()) {
      cell.addEventListener('dragover', (event) => {
        if (!picked) return;
        event.preventDefault();
        if (target !== cell) aim(cell);
      });
      cell.addEventListener('drop', (event) => {
        event.preventDefault();
        if (picked) put(cell);
      });
      cell.addEventListener('click', (event) => {
        // A picked-up order is put down where the day is pressed, on screens that cannot drag.
        if (picked && !event.target.closest('[data-order], a')) put(cell);
      });
    }
  };
  document.addEventListener('keydown', (event) => {
    const item = document.activeElement?.closest?.('#grid [data-order]');
    if (!picked && item && (event.key === 'Enter' || event.key === ' ')) {
      event.preventDefault();
      pick(item);
    } else if (picked && (event.key === 'Enter' || event.key === ' ')) {
      event.preventDefault();
      put(target);
    } else if (picked && event.key === 'Escape') {
      const order = picked.dataset.order;
      drop();
      say([`${order} stays where it was.`]);
    } else if (picked && event.key.startsWith('Arrow')) {
      event.preventDefault();
      step(event.key);
    }
  });
  wire();
})();
