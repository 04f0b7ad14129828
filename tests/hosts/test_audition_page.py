#!/usr/bin/env python3
# SPDX-License-Identifier: ISC
"""If these fail, whoever chooses by ear is deceived: by a switch that shifts or gaps, by a name that shows through, by a
page that cannot be worked by hand, read in the dark or opened from a disk.

test_audition_page.py BOOKMATCH: auditions a session of its own and works the page in headless Chromium."""
import json
import os
import random
import shutil
import struct
import subprocess
import sys
import tempfile
import time
import unittest
import wave

from browser import Browser

RATE_HZ = 48000
LENGTH_S = 4.0
WANT = os.path.join(os.path.dirname(__file__), '..', 'want')
LONG_NAME = 'Eingezwängt' + 'x' * 60  # no browser breaks it by itself
ADD_MARKUP = '<b>Warm</b> & "wide"'

SESSION = '''@prefix bm: <urn:bookmatch:vocabulary#> .
@prefix lv2: <http://lv2plug.in/ns/lv2core#> .
@prefix pset: <http://lv2plug.in/ns/ext/presets#> .
@prefix rdfs: <http://www.w3.org/2000/01/rdf-schema#> .
<> a bm:Session ; rdfs:label "A test" ; bm:maxTail 0 .
<#a> a bm:Track ; bm:take <take.wav> ; bm:inserts ( [ bm:alternatives (
   [ rdfs:label "As it is" ; bm:inserts () ]
   [ rdfs:label %s ; bm:inserts ( [ lv2:appliesTo <urn:bookmatch:tube-saturation#stereo> ;
        lv2:port [ lv2:symbol "drive" ; pset:value 12.0 ] ] ) ]
   [ rdfs:label "%s" ; bm:inserts ( [ lv2:appliesTo <urn:bookmatch:mid-side-matrix#stereo> ;
        lv2:port [ lv2:symbol "width" ; pset:value 20.0 ] ] ) ] ) ] ) .
<#out> a bm:Stem ; bm:from <#a> ; bm:file "out.wav" .
''' % (json.dumps(ADD_MARKUP), LONG_NAME)

# Chromium ends the approach of a gain 1.5e-6 short of its end, so that for a moment gains add up to 1 within twice that.
FADE_END = 3e-6

# Lines up what was heard with the alternatives: for frame `from` of `heard`, the one frame of alternative k at which
# the sum of squared differences is least, among all; and what is left of the difference there.
ALIGN = '''
function align(heard, from, count, samples, gain) {
   let best = [-1, Infinity];
   for (let start = 0; start + count <= samples.length; ++start) {
      let sum = 0;
      for (let i = 0; i < count && sum < best[1]; ++i) {
         const d = heard[from + i] - gain * samples[start + i];
         sum += d * d;
      }
      best = sum < best[1] ? [start, sum] : best;
   }
   return [best[0], Math.sqrt(best[1] / count)];
}
const page = window.bookmatchAudition;
'''

# Notes what the live player gives, in the thread that makes the sound.
TAP = ALIGN + '''
const tap = `registerProcessor("tap", class extends AudioWorkletProcessor {
   process(inputs) { this.port.postMessage(inputs[0].map((channel) => channel.slice())); return true; } })`;
async function listen() {
   const live = page.live();
   await live.context.audioWorklet.addModule("data:text/javascript," + encodeURIComponent(tap));
   const node = new AudioWorkletNode(live.context, "tap", { numberOfOutputs: 0, channelCount: 2, channelCountMode: "explicit" });
   window.heardBlocks = [];
   node.port.onmessage = (event) => event.data.length && window.heardBlocks.push(event.data);
   live.graph.output.connect(node);
}
listen()
'''


def write_take(path):
    """Plucks of noise that never repeat, left and right unlike: any frame can be told from any other."""
    draw = random.Random(20)
    frames = bytearray()
    for n in range(int(LENGTH_S * RATE_HZ)):
        level = 0.35 * 2.718 ** (-6.0 * (n % 24000) / 24000)
        mid, side = draw.uniform(-1, 1), draw.uniform(-0.5, 0.5)
        frames += struct.pack('<hh', int(16000 * level * (mid + side)), int(16000 * level * (mid - side)))
    with wave.open(path, 'wb') as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(bytes(frames))


class AuditionPage(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.mkdtemp(prefix='bookmatch-page-')
        cls.addClassCleanup(shutil.rmtree, cls.folder, True)
        write_take(os.path.join(cls.folder, 'take.wav'))
        with open(os.path.join(cls.folder, 'test.ttl'), 'w', encoding='utf-8') as file:
            file.write(SESSION)
        subprocess.run([BOOKMATCH, 'audition', os.path.join(cls.folder, 'test.ttl')], check=True, stdout=subprocess.DEVNULL)
        cls.made = os.path.join(cls.folder, 'test-audition')
        cls.page = os.path.join(cls.made, 'index.html')
        cls.set, = (f for f in os.listdir(cls.made) if f.startswith('audio-'))
        cls.browser = Browser()
        cls.addClassCleanup(cls.browser.close)

    def setUp(self):
        self.browser.size(1200, 900)
        self.open()

    def tearDown(self):
        self.browser.run('localStorage.clear()')
        self.assertEqual(self.browser.complaints, [], 'the browser complains')

    def open(self):
        self.browser.open(self.page)
        self.browser.wait_for('document.getElementById("status").textContent.startsWith("Ready")')

    def text(self, selector):
        return self.browser.run(f'document.querySelector({json.dumps(selector)}).textContent')

    def position(self):
        return self.browser.run('bookmatchAudition.position()')

    def order(self):
        return self.browser.run('bookmatchAudition.live().order')

    def test_the_page_holds_the_samples_of_the_files_to_the_bit(self):
        for k, name in enumerate(sorted(f for f in os.listdir(os.path.join(self.made, self.set)) if f.endswith('.wav'))):
            with wave.open(os.path.join(self.made, self.set, name)) as file:
                data = file.readframes(file.getnframes())
                self.assertEqual((file.getsampwidth(), file.getnchannels()), (3, 2))
            for frame in (0, 1, 12345, len(data) // 6 - 1):
                for c in range(2):
                    at = 6 * frame + 3 * c
                    wanted = int.from_bytes(data[at:at + 3], 'little', signed=True) / 8388608
                    held = self.browser.run(f'bookmatchAudition.live().buffer.getChannelData({2 * k + c})[{frame}]')
                    self.assertEqual(held, wanted)

    def test_a_switch_shifts_nothing_and_leaves_no_gap(self):
        """The page's own graph, rendered off line, with switches that cut into each other."""
        found = self.browser.run('(async () => {' + ALIGN + '''
            const whole = page.live().buffer, rate = whole.sampleRate, n = whole.numberOfChannels / 2;
            const offline = new OfflineAudioContext(2, Math.round(1.5 * rate), rate);
            const graph = page.makeGraph(offline, offline.destination);
            graph.begin(0);
            page.startSource(offline, graph.input, whole, 0, 0.25, false);
            const switches = [[0.5, 1], [0.9, 2], [0.905, 0], [0.91, 1]];
            switches.forEach(([time, k]) => graph.select(k, time));
            const heard = await offline.startRendering();
            const shift = Math.round(0.25 * rate), at = (time) => Math.round(time * rate);
            let furthest = 0, largest = [0, 0];
            for (let c = 0; c < 2; ++c) {
               const out = heard.getChannelData(c);
               const all = Array.from({ length: n }, (_, k) => whole.getChannelData(2 * k + c));
               for (let i = at(0.1); i < out.length; ++i) {
                  const now = all.map((samples) => samples[shift + i]);
                  furthest = Math.max(furthest, out[i] - Math.max(...now), Math.min(...now) - out[i]);
               }
               [[0.1, 0.5, 0], [0.58, 0.9, 1], [1.0, 1.5, 1]].forEach(([from, to, k], part) => {
                  for (let i = at(from); i < at(to); ++i) {
                     largest[0] = Math.max(largest[0], Math.abs(out[i] - all[k][shift + i]));
                  }
               });
            }
            const first = align(heard.getChannelData(0), at(0.2), 256, whole.getChannelData(0), 1);
            const second = align(heard.getChannelData(0), at(0.7), 256, whole.getChannelData(2), 1);
            return { furthest, largest: largest[0], shifts: [first[0] - at(0.2) - shift, second[0] - at(0.7) - shift] };
        })()''')
        print(f'off line: shifts {found["shifts"]} frames, {found["largest"]:.1e} between switches, {found["furthest"]:.1e} '
              'outside of what is mixed')
        self.assertEqual(found['shifts'], [0, 0])
        self.assertEqual(found['largest'], 0.0)
        self.assertLess(found['furthest'], FADE_END)

    def test_the_live_player_keeps_its_place_to_the_sample_while_keys_switch(self):
        browser = self.browser
        browser.click('#play')
        browser.run(TAP)
        # A third of a second of sound each, however busy the machine is.
        for part, key in enumerate('231 ', 1):
            browser.wait_for(f'window.heardBlocks.length >= {125 * part}')
            browser.press(key)
        found = browser.run('(() => {' + ALIGN + '''
            const live = page.live(), whole = live.buffer, gain = live.graph.output.gain.value, n = whole.numberOfChannels / 2;
            const blocks = window.heardBlocks.filter((block) => block.length === 2 && block[0].some((x) => x !== 0));
            const out = [0, 1].map((c) => Float32Array.from(blocks.flatMap((block) => Array.from(block[c]))));
            const all = [0, 1].map((c) => Array.from({ length: n }, (_, k) => whole.getChannelData(2 * k + c)));
            // Where each block of 128 stands: in which alternative, at which frame.
            const start = align(out[0], 2048, 128, all[0][0], gain)[0] - 2048;
            let furthest = 0;
            const shifts = [], seen = [];
            const end = out[0].length - Math.round(0.12 * whole.sampleRate);
            for (let i = 2048; i < end; ++i) {
               for (let c = 0; c < 2; ++c) {
                  const now = all[c].map((samples) => gain * samples[start + i]);
                  furthest = Math.max(furthest, out[c][i] - Math.max(...now), Math.min(...now) - out[c][i]);
               }
            }
            for (let i = 2048; i + 128 <= end; i += 128) {
               const left = all[0].map((samples) => {
                  let sum = 0;
                  for (let j = i; j < i + 128; ++j) { sum += Math.abs(out[0][j] - gain * samples[start + j]); }
                  return sum / 128;
               });
               const k = left.indexOf(Math.min(...left));
               if (left[k] < 1e-7 && seen[seen.length - 1] !== k) {
                  seen.push(k);
                  shifts.push(align(out[0], i, 128, all[0][k], gain)[0] - i - start);
               }
            }
            return { furthest, shifts, seen, frames: out[0].length };
        })()''')
        print(f'live: heard {found["seen"]} for {found["frames"]} frames, shifts {found["shifts"]} frames, '
              f'{found["furthest"]:.1e} outside of what is mixed')
        self.assertEqual(found['seen'], [0, 1, 2, 0])
        self.assertEqual(found['shifts'], [0, 0, 0, 0])
        self.assertLess(found['furthest'], 2e-7)
        self.assertGreater(found['frames'], 0.9 * RATE_HZ)

    def test_a_loop_repeats_to_the_sample_and_closes_without_a_step(self):
        found = self.browser.run('''(async () => {
            const page = bookmatchAudition, whole = page.live().buffer, rate = whole.sampleRate;
            const from = Math.round(1.1 * rate), span = Math.round(0.3 * rate), seam = Math.round(0.01 * rate);
            const offline = new OfflineAudioContext(2, 3 * span, rate);
            const graph = page.makeGraph(offline, offline.destination);
            graph.begin(1);
            page.startSource(offline, graph.input, page.closeLoop(1.1, 1.4), 0, 0, true);
            const out = (await offline.startRendering()).getChannelData(0), samples = whole.getChannelData(2);
            let repeat = 0, body = 0;
            for (let i = span; i < 2 * span; ++i) {
               repeat = Math.max(repeat, Math.abs(out[i] - out[i + span]));
               body = i < 2 * span - seam ? Math.max(body, Math.abs(out[i] - samples[from + i - span])) : body;
            }
            // The last frame is all but the one that comes before the first in the whole.
            return { repeat, body, seam: Math.abs(out[2 * span - 1] - samples[from - 1]) };
        })()''')
        self.assertEqual(found['repeat'], 0.0)
        self.assertEqual(found['body'], 0.0)
        self.assertLess(found['seam'], 0.01)

    def test_it_starts_softly_and_says_the_caution(self):
        self.assertIn('damage hearing', self.text('#player .caution'))
        self.assertIn('local rules', self.text('#player .caution'))
        volume_db = self.browser.run('Number(document.getElementById("volume").value)')
        loudness = float(self.text('.facts div:nth-child(2) dd').replace('\u2212', '-').split()[0])
        self.assertLessEqual(loudness + volume_db, -30.0 + 0.06)
        self.browser.press(' ')
        self.assertAlmostEqual(self.browser.run('bookmatchAudition.live().graph.output.gain.value'), 10 ** (volume_db / 20), 6)

    def test_mono_is_half_the_sum_on_both_sides_and_comes_without_a_step(self):
        found = self.browser.run('''(async () => {
            const page = window.bookmatchAudition, whole = page.live().buffer, rate = whole.sampleRate;
            const offline = new OfflineAudioContext(2, rate, rate), at = (time) => Math.round(time * rate);
            const graph = page.makeGraph(offline, offline.destination);
            graph.begin(0);
            page.startSource(offline, graph.input, whole, 0, 0, false);
            graph.fold(true, 0.55);
            const heard = await offline.startRendering();
            let before = 0, outside = 0, folded = 0, wide = 0, step = 0;
            for (let c = 0; c < 2; ++c) {
               const out = heard.getChannelData(c), own = whole.getChannelData(c), other = whole.getChannelData(1 - c);
               let last = [0, 0];
               for (let i = at(0.1); i < rate; ++i) {
                  const half = 0.5 * (own[i] + other[i]);
                  wide = Math.max(wide, Math.abs(own[i] - half));
                  if (i < at(0.55)) before = Math.max(before, Math.abs(out[i] - own[i]));
                  if (i > at(0.65)) folded = Math.max(folded, Math.abs(out[i] - half));
                  if (Math.abs(own[i] - half) > 0.001) {
                     const share = (out[i] - own[i]) / (half - own[i]);
                     step = Math.max(step, (share - last[1]) / (i - last[0]));
                     last = [i, share];
                  }
                  outside = Math.max(outside, out[i] - Math.max(own[i], half), Math.min(own[i], half) - out[i]);
               }
            }
            return { before, outside, folded, wide, step };
        })()''')
        self.assertGreater(found['wide'], 0.01)
        self.assertEqual(found['before'], 0.0)
        self.assertLess(found['folded'], FADE_END)
        self.assertLess(found['outside'], FADE_END)
        self.assertLess(found['step'], 0.01)  # a frame of 4 ms is 0.0052
        self.browser.press(' ')
        heard = 'bookmatchAudition.live().graph.heard.map((node) => Math.round(node.gain.value))'
        for key_or_click, pressed, gains in ((lambda: self.browser.press('m'), 'true', [0, 1]),
                                             (lambda: self.browser.click('#mono'), 'false', [1, 0])):
            key_or_click()
            self.assertEqual(self.browser.run('document.getElementById("mono").getAttribute("aria-pressed")'), pressed)
            self.browser.wait_for(f'JSON.stringify({heard}) === {json.dumps(json.dumps(gains, separators=(",", ":")))}')

    def test_the_line_that_keeps_a_choice_is_told_and_renders_it(self):
        browser = self.browser
        self.assertTrue(browser.run('document.getElementById("keep").hidden'))
        browser.click('#preferred label:nth-of-type(2) input')
        browser.click('#note-it')
        line = self.text('#keep-line')
        self.assertEqual(line, f'bm:choice {json.dumps(ADD_MARKUP)} ;')
        self.assertIn('test.ttl', self.text('#keep'))
        kept = os.path.join(self.folder, 'kept.ttl')
        with open(kept, 'w', encoding='utf-8') as file:
            file.write(SESSION.replace('<> a bm:Session ;', '<> a bm:Session ; ' + line))
        told = subprocess.run([BOOKMATCH, 'render', '--no-report', kept], check=True, stdout=subprocess.DEVNULL,
                              stderr=subprocess.PIPE, encoding='utf-8').stderr
        self.assertIn(f'"{ADD_MARKUP}" is rendered', told)
        browser.click('#preferred label:nth-of-type(4) input')  # no difference
        browser.click('#note-it')
        self.assertTrue(browser.run('document.getElementById("keep").hidden'))

    def test_every_key_does_what_the_page_says(self):
        browser = self.browser
        browser.press('ArrowRight')
        self.assertAlmostEqual(self.position(), 2.0, 6)
        browser.press('ArrowLeft')
        browser.press('ArrowLeft')
        self.assertEqual(self.position(), 0.0)
        browser.press(' ')
        self.assertEqual(self.text('#play'), 'Pause')
        browser.wait_for('bookmatchAudition.position() > 0.5')
        browser.press(']')
        self.assertLess(self.position(), 0.5)  # it went round, and goes round again
        browser.wait_for('bookmatchAudition.position() > 0.4')
        browser.wait_for('bookmatchAudition.position() < 0.3')
        browser.press('[')
        browser.press(' ')
        self.assertEqual(self.text('#play'), 'Play')
        self.assertEqual(browser.run('document.getElementById("loop").getAttribute("aria-pressed")'), 'true')
        browser.press('l')
        self.assertEqual(browser.run('document.getElementById("loop").getAttribute("aria-pressed")'), 'false')
        browser.press('Home')
        self.assertEqual(self.position(), 0.0)
        browser.press('3')
        self.assertTrue(browser.run('document.querySelectorAll(".choice input")[2].checked'))
        browser.press('1')
        browser.press('x')
        self.assertTrue(browser.run('document.querySelectorAll(".choice input")[2].checked'))
        volume_db = browser.run('Number(document.getElementById("volume").value)')
        browser.press('-')
        browser.press('-')
        browser.press('+')
        self.assertEqual(browser.run('Number(document.getElementById("volume").value)'), volume_db - 1)
        browser.click('#words')
        browser.press('b')
        self.assertEqual(browser.run('document.getElementById("words").value'), 'b')  # a text takes its letters
        self.assertFalse(browser.run('document.getElementById("told").hidden'))

    def test_all_can_be_reached_by_tab_and_shows_the_focus(self):
        browser = self.browser
        seen = []
        for _ in range(40):
            browser.press('Tab')
            name, outline = browser.run('''(() => { const e = document.activeElement, box = e.closest(".choice") || e;
                return [e.id || e.className || e.name || e.tagName, getComputedStyle(box).outlineStyle]; })()''')
            if name == 'BODY':
                break
            seen.append(name)
            self.assertNotEqual(outline, 'none', f'{name} has the focus and does not show it')
        for wanted in ('choice', 'seek', 'play', 'loop', 'loop-from', 'loop-to', 'mono', 'volume', 'blind', 'preferred', 'words', 'copy',
                       'wide'):
            self.assertIn(wanted, seen)
        unnamed = browser.run('''Array.from(document.querySelectorAll("button, input, svg[role], [role=region]")).filter((e) =>
            !(e.textContent.trim() || e.getAttribute("aria-label") || e.getAttribute("aria-labelledby") || (e.labels && e.labels.length)))
            .map((e) => e.outerHTML.slice(0, 80))''')
        self.assertEqual(unnamed, [])

    def test_blind_hides_every_name_until_a_choice_is_noted(self):
        browser = self.browser
        names = browser.run('Array.from(document.querySelectorAll(".choice")).map((c) => c.dataset.name)')
        self.assertEqual(names, ['As it is', ADD_MARKUP, LONG_NAME])
        browser.press('2')
        browser.press(' ')
        browser.press('b')
        self.assertFalse(browser.run('bookmatchAudition.live().isPlaying'))
        shown = browser.run('document.body.innerText')
        for name in names:
            self.assertNotIn(name, shown)
        self.assertNotIn('Crest', shown)
        self.assertNotIn('appliesTo', shown)
        self.assertTrue(browser.run('document.getElementById("note-it").disabled'))
        order = self.order()
        browser.press('3')
        browser.click('#preferred label:nth-of-type(3) input')
        browser.click('#words')
        browser.call('Input.insertText', text='nearer <i>and</i> "rounder"')
        browser.press('Enter')
        noted = self.text('#rounds')
        self.assertIn(f'C = {names[order[2]]}, "nearer <i>and</i> "rounder""', noted)
        for slot, k in enumerate(order):
            self.assertIn(f'{"ABC"[slot]} was {names[k]}', noted)
        self.assertEqual(self.order(), [0, 1, 2])
        self.assertEqual(browser.run('document.querySelector(".choice input:checked").value'), str(order[2]))
        self.assertIn('Crest', browser.run('document.body.innerText'))
        browser.press(' ')  # the keys are out of the text again
        self.assertTrue(browser.run('bookmatchAudition.live().isPlaying'))
        # What was noted is still there after the page was closed, and can be taken along as text.
        self.open()
        self.assertEqual(self.text('#rounds'), noted)
        browser.call('Page.setDownloadBehavior', behavior='allow', downloadPath=browser.downloads)
        browser.click('#save')
        path = os.path.join(browser.downloads, 'audition-notes.txt')
        until = time.monotonic() + 5.0
        while not os.path.exists(path) and time.monotonic() < until:
            time.sleep(0.02)
        with open(path, encoding='utf-8') as file:
            self.assertIn(noted, file.read())

    def test_blind_shuffles_without_favour(self):
        """2400 rounds over 6 orders: each 400 times, within 5 standard deviations of 18.3 (binomial)."""
        orders = self.browser.run('''Array.from({ length: 2400 }, () => {
            document.getElementById("blind").click();
            const order = bookmatchAudition.live().order.join("");
            document.getElementById("blind").click();
            return order; })''')
        for order in ('012', '021', '102', '120', '201', '210'):
            self.assertAlmostEqual(orders.count(order), 400, delta=92)

    def test_blind_plays_what_it_will_reveal(self):
        browser = self.browser
        browser.press('b')
        browser.press('2')
        browser.press(' ')
        browser.run(TAP)
        browser.wait_for('window.heardBlocks.length > 50')
        heard = browser.run('(() => {' + ALIGN + '''
            const live = page.live(), gain = live.graph.output.gain.value, out = window.heardBlocks[50][0];
            const left = [0, 1, 2].map((k) => align(out, 0, 128, live.buffer.getChannelData(2 * k), gain)[1]);
            return left.indexOf(Math.min(...left)); })()''')
        self.assertEqual(heard, self.order()[1])

    def test_a_passage_is_chosen_with_the_mouse(self):
        browser = self.browser
        x, y, width = browser.run('''(() => { const b = document.getElementById("wave").getBoundingClientRect();
            return [b.x, b.y + b.height / 2, b.width]; })()''')
        length = browser.run('bookmatchAudition.live().buffer.duration')
        browser.mouse('mousePressed', x + 0.5 * width, y)
        browser.mouse('mouseReleased', x + 0.5 * width, y)
        self.assertAlmostEqual(self.position(), 0.5 * length, delta=0.02)
        browser.mouse('mousePressed', x + 0.75 * width, y)
        browser.mouse('mouseMoved', x + 0.25 * width, y)
        browser.mouse('mouseReleased', x + 0.25 * width, y)
        region = browser.run('["x", "width"].map((a) => Number(document.getElementById("region").getAttribute(a)))')
        self.assertAlmostEqual(region[0], 250, delta=3)
        self.assertAlmostEqual(region[1], 500, delta=6)

    def test_no_width_makes_the_page_scroll_sideways(self):
        browser = self.browser
        for width in (320, 360, 768, 1200):
            for key in ('b', 'b'):
                browser.size(width, 800)
                browser.press(key)
                over = browser.run('''document.documentElement.scrollWidth - document.documentElement.clientWidth''')
                self.assertLessEqual(over, 0, f'at {width} pixels')

    def test_it_reads_in_the_light_and_in_the_dark(self):
        """Contrast of text 4.5 or more (WCAG 2.2, 1.4.3)."""
        browser = self.browser
        papers = []
        for is_dark in (False, True):
            browser.size(1200, 900, is_dark)
            found = browser.run('''(() => {
                const parse = (text) => text.match(/[0-9.]+/g).map(Number);
                const light = (rgb) => { const l = rgb.slice(0, 3).map((x) => x / 255).map((x) => x <= 0.04045 ? x / 12.92 :
                    ((x + 0.055) / 1.055) ** 2.4); return 0.2126 * l[0] + 0.7152 * l[1] + 0.0722 * l[2]; };
                const under = (e) => { for (; e; e = e.parentElement) { const b = parse(getComputedStyle(e).backgroundColor);
                    if (b.length < 4 || b[3] > 0) { return b; } } return [255, 255, 255]; };
                const low = [];
                for (const e of document.querySelectorAll("main *, header *")) {
                    const isText = Array.from(e.childNodes).some((c) => c.nodeType === 3 && c.textContent.trim());
                    if (!isText || e.closest("svg, :disabled, [hidden]") || !e.getClientRects().length) { continue; }
                    const [a, b] = [light(parse(getComputedStyle(e).color)), light(under(e))];
                    const contrast = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
                    if (contrast < 4.5) { low.push(e.outerHTML.slice(0, 80) + " " + contrast.toFixed(2)); }
                }
                return [getComputedStyle(document.body).backgroundColor, low]; })()''')
            papers.append(found[0])
            self.assertEqual(found[1], [])
        self.assertNotEqual(papers[0], papers[1])

    def test_each_choice_is_told_in_words_too(self):
        words = self.browser.run('Array.from(document.querySelectorAll(".in-words li")).map((e) => e.textContent.trim())')
        self.assertEqual(len(words), 2)
        self.assertTrue(words[0].startswith(ADD_MARKUP + ': '))
        self.assertRegex(words[1], '^' + LONG_NAME + r': .*mono keeps [0-9.]+ LU more')

    def test_the_settings_can_be_copied(self):
        self.browser.click('.settings:nth-of-type(2) .copy')
        self.browser.wait_for('document.querySelector(".settings:nth-of-type(2) .copy").textContent === "Copied"')
        self.assertIn('urn:bookmatch:tube-saturation#stereo', self.text('.settings:nth-of-type(2) pre'))

    def test_audio_that_is_missing_or_of_another_audition_is_told(self):
        browser = self.browser
        folder = os.path.join(self.folder, 'moved')
        shutil.copytree(self.made, folder)
        audio = os.path.join(folder, self.set)
        scripts = sorted(f for f in os.listdir(audio) if f.endswith('.js'))
        shutil.copy(os.path.join(audio, scripts[0]), os.path.join(audio, scripts[1]))
        browser.open(os.path.join(folder, 'index.html'))
        browser.wait_for('document.getElementById("status").className.includes("failed")')
        self.assertIn('belongs to another audition', self.text('#status'))
        self.assertTrue(browser.run('document.getElementById("play").disabled'))
        os.unlink(os.path.join(audio, scripts[0]))
        browser.open(os.path.join(folder, 'index.html'))
        browser.wait_for('document.getElementById("status").textContent.includes("is not beside this page")')
        self.assertEqual([c for c in browser.complaints if 'ERR_FILE_NOT_FOUND' not in c], [])
        browser.complaints.clear()


if __name__ == '__main__':
    found = subprocess.run([WANT, 'chromium', 'chromium'], check=False).returncode
    if found:
        sys.exit(found)
    BOOKMATCH = sys.argv.pop(1)
    unittest.main(verbosity=2)
