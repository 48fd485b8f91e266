'use strict';
// A form that is on its way is not sent a second time by an impatient finger.
document.addEventListener('submit', (event) => {
  const button = event.target.querySelector('button');
  if (button && event.target.action.endsWith('/record')) {
    setTimeout(() => { button.disabled = true; }, 0);
  }
});
document.documentElement.dataset.ready = '';
