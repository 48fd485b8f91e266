'use strict';
(() => {
  const choice = document.getElementById('day');
  const told = document.getElementById('shown');
  const rows = [...document.querySelectorAll('tr[data-on]')];
  const show = () => {
    let count = 0;
    for (const row of rows) {
      row.hidden = choice.value !== '' && row.dataset.on !== choice.value;
      if (!row.hidden) count += 1;
    }
    told.textContent = `${count.toLocaleString('en')} of ${rows.length.toLocaleString('en')} lines`;
  };
  choice.addEventListener('change', show);
  show();
  document.documentElement.dataset.ready = '';
})();
