'use strict';
// Whoever leaves takes the form kept on this device along; results that wait stay for who typed them.
document.querySelector('form.leave')?.addEventListener('submit', () => {
  if (window.caches) caches.delete('vaultplan-form');
});
document.documentElement.dataset.ready = '';
