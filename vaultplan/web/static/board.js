'use strict';
// Whoever leaves takes the form kept on this device along; results that wait stay for who typed them.
document.querySelector('form.leave')?.addEventListener('submit', () => {
  if (window.caches) caches.delete('vaultplan-form');
});
// Work that runs is looked at again by itself until it is over.
(async () => {
  const EVERY_MS = 1500;
  const isOver = () => !['waits', 'runs'].includes(document.getElementById('work')?.dataset.state ?? '');
  while (!isOver()) {
    await new Promise((resolve) => setTimeout(resolve, EVERY_MS));
    try {
      const answer = await fetch(location.pathname);
      const page = new DOMParser().parseFromString(await answer.text(), 'text/html');
      const fresh = page.getElementById('work');
      if (fresh) document.getElementById('work').replaceWith(fresh);
    } catch {
      // Without a connection it is asked again.
    }
  }
})();
document.documentElement.dataset.ready = '';
