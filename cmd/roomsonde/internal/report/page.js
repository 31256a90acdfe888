(function () {
  'use strict';
  var data = JSON.parse(document.getElementById('values').textContent);
  var each = function (list, f) { Array.prototype.forEach.call(list, f); };
  var minus = function (s) { return s.replace('-', '\u2212'); };
  var db = function (v, plus) { return minus((plus && v > 0 ? '+' : '') + v.toFixed(1)) + ' dB'; };
  var hz = function (f) {
    var k = f >= 999.5, v = k ? f / 1000 : f;
    return String(Number(v.toPrecision(3))) + (k ? ' kHz' : ' Hz');
  };
  var seconds = function (v) { return v.toFixed(2) + ' s'; };
  var step = 1 / 24; // of an octave, the grid of the values
  var gridHz = function (i) { return 10 * Math.pow(2, i * step); };

  // Which curves are on: one record for each set of checkboxes.
  var sets = {};
  each(document.querySelectorAll('[data-set]'), function (box) {
    var name = box.getAttribute('data-set');
    var set = sets[name] = {box: box, on: {}, plots: [], status: box.querySelector('.status'), one: {}};
    each(box.querySelectorAll('input[data-curve]'), function (input) {
      input.disabled = false;
      set.one[input.getAttribute('data-curve')] = input.defaultChecked;
      input.addEventListener('change', function () { refresh(set, true); });
    });
    each(box.querySelectorAll('input[data-source]'), function (input) {
      input.disabled = false;
      input.addEventListener('change', function () {
        each(input.closest('fieldset').querySelectorAll('input[data-curve]'), function (c) { c.checked = input.checked; });
        refresh(set, true);
      });
    });
    each(box.querySelectorAll('button[data-show]'), function (button) {
      button.hidden = false;
      button.addEventListener('click', function () {
        var what = button.getAttribute('data-show');
        each(box.querySelectorAll('input[data-curve]'), function (c) {
          c.checked = what === 'all' || what === 'one' && set.one[c.getAttribute('data-curve')];
        });
        refresh(set, true);
      });
    });
  });
  each(document.querySelectorAll('button[data-alone]'), function (button) {
    button.hidden = false;
    button.addEventListener('click', function () {
      var set = sets.takes;
      each(set.box.querySelectorAll('input[data-curve]'), function (c) { c.checked = c.getAttribute('data-curve') === button.getAttribute('data-alone'); });
      refresh(set, true);
      var to = document.querySelector('.drawings');
      to.scrollIntoView();
      to.focus({preventScroll: true});
    });
  });

  function refresh(set, told) {
    var on = 0, all = 0;
    each(set.box.querySelectorAll('input[data-curve]'), function (c) {
      set.on[c.getAttribute('data-curve')] = c.checked;
      all++;
      if (c.checked) { on++; }
    });
    each(set.box.querySelectorAll('input[data-source]'), function (s) {
      var n = 0, of = 0;
      each(s.closest('fieldset').querySelectorAll('input[data-curve]'), function (c) { of++; if (c.checked) { n++; } });
      s.checked = n === of;
      s.indeterminate = n > 0 && n < of;
    });
    if (set.status) { set.status.textContent = on + ' of ' + all + ' shown'; }
    set.plots.forEach(function (p) { p.refresh(); });
  }

  each(document.querySelectorAll('.plot[data-plot]'), function (box) {
    var id = box.getAttribute('data-plot'), d = data[id];
    var g = box.getAttribute('data-panel').split(' ').map(Number); // left top right bottom width height from to
    var left = g[0], top = g[1], right = g[2], bottom = g[3], width = g[4], height = g[5], from = g[6], to = g[7];
    var set = sets[d.set];
    var svg = box.querySelector('svg');
    var visible = function (c) { return c.take === undefined || !set || set.on[c.take]; };
    var readout = document.getElementById(id + '-readout');

    // Names at the right edge: apart from each other, each near the end of its curve.
    var ends = [];
    each(svg.querySelectorAll('.end'), function (e) {
      ends.push({e: e, curve: d.curves[Number(e.getAttribute('data-curve'))], at: Number(e.getAttribute('data-end')), row: Number(e.getAttribute('data-row')), text: e.querySelector('text'), line: e.querySelector('path')});
    });
    function names() {
      var high = 16.5, shown = ends.filter(function (n) { return visible(n.curve); });
      // Where there is no room for all of them, the list of takes has to do.
      var crowded = shown.length * high > bottom - top + high;
      ends.forEach(function (n) { n.e.classList.toggle('off', crowded || !visible(n.curve)); });
      each(svg.querySelectorAll('.name'), function (e) {
        e.classList.toggle('off', crowded || !visible(d.curves[Number(e.getAttribute('data-curve'))]));
      });
      if (crowded) { return; }
      shown.sort(function (a, b) { return a.at - b.at; });
      var blocks = [], low = top + high / 2 - 4, most = bottom - high / 2 + 4;
      var row = function (b) { return Math.max(low, Math.min(b.sum / b.n, most - high * (b.n - 1))); };
      shown.forEach(function (n, i) {
        blocks.push({first: i, n: 1, sum: n.at});
        while (blocks.length > 1) {
          var a = blocks[blocks.length - 2], b = blocks[blocks.length - 1];
          if (row(a) + high * a.n <= row(b)) { break; }
          blocks.splice(-2, 2, {first: a.first, n: a.n + b.n, sum: a.sum + b.sum - high * a.n * b.n});
        }
      });
      blocks.forEach(function (b) {
        for (var i = 0; i < b.n; i++) {
          var n = shown[b.first + i], y = row(b) + high * i;
          n.text.setAttribute('transform', 'translate(0,' + (y - n.row).toFixed(1) + ')');
          n.line.setAttribute('d', 'M' + right + ' ' + n.at + 'L' + (right + 16) + ' ' + y.toFixed(1));
        }
      });
    }

    var groups = [];
    each(svg.querySelectorAll('[data-curve]'), function (e) { groups.push({e: e, curve: d.curves[Number(e.getAttribute('data-curve'))]}); });
    var here = null; // where the pointer stands, as a step
    var plot = {
      refresh: function () {
        groups.forEach(function (x) { x.e.classList.toggle('off', !visible(x.curve)); });
        names();
        if (here !== null) { show(here, false); }
      }
    };

    // Where the pointer can stand: on the grid, or on the bands, or on the modes.
    var stops = d.stops || null;
    var first = stops ? 0 : Math.ceil(Math.log2(from / 10) / step - 1e-6), last = stops ? stops.length - 1 : Math.floor(Math.log2(to / 10) / step + 1e-6);
    var stopHz = function (i) { return stops ? stops[i].hz : gridHz(i); };
    var stopName = function (i) { return stops ? stops[i].name : hz(stopHz(i)); };

    function valueOf(c, i) {
      if (stops) {
        var p = c.points && c.points[i];
        return p ? seconds(p[0]) + (p[1] ? ' \u00b1 ' + seconds(p[1]) : '') + (p[2] ? ', doubtful' : '') : null;
      }
      var v = c.v ? c.v[i - c.first] : undefined;
      if (v === undefined || v === null) { return null; }
      var f = gridHz(i), unit = db(v / 10, c.plus);
      if (c.u) { unit += ' \u00b1 ' + db(c.u[i - c.first] / 10); }
      if (c.none || c.from && f < c.from || c.to && f > c.to) { unit = '(' + unit + ', not readable)'; }
      return unit;
    }
    function show(i, speak) {
      here = Math.max(first, Math.min(last, i));
      var f = stopHz(here), x = Math.log(f / from) / Math.log(to / from);
      hair.style.left = (100 * x) + '%';
      hair.hidden = false;
      var said = [];
      readout.textContent = '';
      var at = document.createElement('div');
      at.className = 'at';
      at.textContent = stopName(here);
      readout.appendChild(at);
      d.curves.forEach(function (c) {
        if (!visible(c)) { return; }
        var v = valueOf(c, here);
        if (v === null) { if (stops && !d.modes || c.always) { v = 'none'; } else { return; } }
        said.push(c.name + ' ' + v);
        var row = document.createElement('div');
        row.className = 'row';
        var sample = c.take !== undefined && document.querySelector('[data-sample="' + d.set + '-' + c.take + '"] svg');
        if (sample) { row.appendChild(sample.cloneNode(true)); }
        [c.name, v].forEach(function (t) { var s = document.createElement('span'); s.textContent = t; row.appendChild(s); });
        readout.appendChild(row);
      });
      hand.setAttribute('aria-valuenow', Math.round(f * 10) / 10);
      hand.setAttribute('aria-valuetext', stopName(here) + ': ' + (said.length ? said.join('; ') : 'nothing shown'));
    }

    var hand = document.createElement('div'), hair = document.createElement('div');
    hair.className = 'hair';
    hair.hidden = true;
    hand.className = 'hand';
    hand.tabIndex = 0;
    hand.setAttribute('role', 'slider');
    hand.setAttribute('aria-label', 'Read off: ' + d.label);
    hand.setAttribute('aria-valuemin', Math.round(from));
    hand.setAttribute('aria-valuemax', Math.round(to));
    hand.setAttribute('aria-describedby', 'hand-hint');
    hand.setAttribute('aria-orientation', 'horizontal');
    hand.style.left = (100 * left / width) + '%';
    hand.style.top = (100 * top / height) + '%';
    hand.style.width = (100 * (right - left) / width) + '%';
    hand.style.height = (100 * (bottom - top) / height) + '%';
    hand.appendChild(hair);
    box.appendChild(hand);
    var middle = Math.round((first + last) / 2);
    hand.setAttribute('aria-valuenow', Math.round(stopHz(Math.max(first, Math.min(last, middle)))));
    hand.setAttribute('aria-valuetext', stopName(Math.max(first, Math.min(last, middle))));

    function nearest(f) {
      if (!stops) { return Math.round(Math.log2(f / 10) / step); }
      var best = 0;
      stops.forEach(function (s, i) { if (Math.abs(Math.log(s.hz / f)) < Math.abs(Math.log(stops[best].hz / f))) { best = i; } });
      return best;
    }
    var waiting = false, mouse = 0;
    function follow(e) {
      mouse = e.clientX;
      if (waiting) { return; }
      waiting = true;
      requestAnimationFrame(function () {
        waiting = false;
        var r = hand.getBoundingClientRect();
        var x = Math.max(0, Math.min(1, (mouse - r.left) / r.width));
        show(nearest(from * Math.pow(to / from, x)));
      });
    }
    hand.addEventListener('pointermove', follow);
    hand.addEventListener('pointerdown', follow);
    hand.addEventListener('focus', function () { if (here === null) { show(middle); } });
    hand.addEventListener('keydown', function (e) {
      var by = stops ? 1 : Math.round(1 / step), i = here === null ? middle : here;
      switch (e.key) {
        case 'ArrowRight': case 'ArrowUp': i++; break;
        case 'ArrowLeft': case 'ArrowDown': i--; break;
        case 'PageUp': i += by; break;
        case 'PageDown': i -= by; break;
        case 'Home': i = first; break;
        case 'End': i = last; break;
        default: return;
      }
      e.preventDefault();
      show(i);
    });
    if (set) { set.plots.push(plot); }
    plot.names = names;
  });
  each(document.querySelectorAll('.hint'), function (p) { p.hidden = false; });
  Object.keys(sets).forEach(function (k) { refresh(sets[k]); });

  // A link to a take opens it.
  function open() {
    var t = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (t && t.tagName === 'DETAILS') { t.open = true; }
  }
  addEventListener('hashchange', open);
  open();
}());
