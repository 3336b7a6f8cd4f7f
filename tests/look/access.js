// SPDX-License-Identifier: GPL-3.0-or-later
// What keeps a page from being read: by WCAG 2.2, level AA, as far as a program can tell it (1.1.1, 1.3.1, 1.4.3, 1.4.10, 2.4.1, 2.4.2, 2.4.6,
// 3.1.1, 4.1.2). A list of sentences; empty is good.
(function () {
  'use strict';
  var found = [];
  function say(what, e) { found.push(what + (e ? ': ' + (e.outerHTML || e.textContent).slice(0, 90) : '')); }
  function all(s) { return Array.from(document.querySelectorAll(s)); }
  function shown(e) { return e.getClientRects().length > 0 && getComputedStyle(e).visibility !== 'hidden'; }
  if (!document.documentElement.lang) say('no language');
  if (!document.title) say('no title');
  if (all('main').length !== 1) say('not one <main>');
  if (all('h1').length !== 1) say('not one <h1>');
  var level = 0;
  all('h1,h2,h3,h4').forEach(function (h) {
    var n = +h.tagName[1];
    if (n > level + 1) say('a heading skips a level', h);
    if (!h.textContent.trim()) say('an empty heading', h);
    level = n;
  });
  var ids = {};
  all('[id]').forEach(function (e) { if (ids[e.id]) say('an id twice', e); ids[e.id] = e; });
  all('svg[role=img],img').forEach(function (e) {
    var name = e.getAttribute('alt') || (e.querySelector('title') || {}).textContent || e.getAttribute('aria-label');
    if (!name) say('a picture without a name', e);
  });
  all('figure').forEach(function (e) { if (!e.querySelector('figcaption')) say('a figure without words', e); });
  all('a').forEach(function (a) {
    var to = a.getAttribute('href') || '';
    if (!a.textContent.trim()) say('a link without words', a);
    if (to[0] === '#' && !ids[to.slice(1)]) say('a link to nowhere', a);
  });
  all('section[aria-label],section[aria-labelledby],nav').forEach(function (e) {
    if (!e.getAttribute('aria-label') && !e.getAttribute('aria-labelledby')) say('a region without a name', e);
  });
  all('table').forEach(function (t) {
    var heads = t.querySelectorAll('thead th').length, last = 0;
    if (!heads) say('a table without heads', t);
    t.querySelectorAll('tbody tr').forEach(function (r) {
      last = 0;
      Array.from(r.cells).forEach(function (c) { last += c.colSpan; });
      if (last !== heads) say('a row of ' + last + ' cells under ' + heads + ' heads', r);
    });
  });
  all('[tabindex]').forEach(function (e) { if (e.tabIndex > 0) say('an order of its own', e); });
  // contrast
  function rgb(text) { return (text.match(/[\d.]+/g) || []).map(Number); }
  function light(c) {
    return [0.2126, 0.7152, 0.0722].reduce(function (sum, k, i) {
      var v = c[i] / 255;
      return sum + k * (v <= 0.04045 ? v / 12.92 : Math.pow((v + 0.055) / 1.055, 2.4));
    }, 0);
  }
  function ground(e) {
    for (; e; e = e.parentElement) {
      var c = rgb(getComputedStyle(e).backgroundColor);
      if (c.length >= 3 && (c.length < 4 || c[3] > 0)) return c;
    }
    return [255, 255, 255];
  }
  var walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), seen = {};
  for (var n = walk.nextNode(); n; n = walk.nextNode()) {
    var e = n.parentElement, style = getComputedStyle(e), svg = e.closest('svg');
    if (!n.textContent.trim() || !shown(e) || ['SCRIPT', 'STYLE', 'TITLE', 'title'].indexOf(e.tagName) >= 0) continue;
    var ink = rgb(svg ? style.fill : style.color), under = ground(svg || e);
    if (ink.length < 3) continue;
    var a = light(ink), b = light(under), ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    var size = parseFloat(style.fontSize), large = size >= 24 || (size >= 18.66 && style.fontWeight >= 700);
    var key = ink + '/' + under;
    if (ratio < (large ? 3 : 4.5) && !seen[key]) { seen[key] = true; say('contrast ' + ratio.toFixed(2), e); }
  }
  // reflow
  var wide = document.scrollingElement.scrollWidth - document.documentElement.clientWidth;
  if (wide > 0) say('the page is ' + wide + ' px wider than the window');
  all('main *').forEach(function (e) {
    if (e.closest('svg') || !shown(e)) return;
    var box = e.closest('.scroll');
    if (!box && e.getBoundingClientRect().right > document.documentElement.clientWidth + 1) say('cut off at the right', e);
    var over = getComputedStyle(e).overflowX;
    if ((over === 'auto' || over === 'scroll') && e.scrollWidth > e.clientWidth && e.tabIndex < 0 && !e.querySelector('a,[tabindex]'))
      say('scrolls, and no key reaches it', e);
  });
  return found;
})()
