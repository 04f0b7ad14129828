# SPDX-License-Identifier: ISC
"""Headless Chromium by its DevTools protocol, over a pipe: no driver, no socket, nothing but the browser."""
import base64
import json
import os
import select
import shutil
import subprocess
import tempfile
import time


class Browser:
    """One browser with one page. Everything the page logs, throws or fails to load ends up in `complaints`."""

    def __init__(self, *switches):
        program = shutil.which('chromium')
        if not program:
            raise FileNotFoundError('chromium')
        self.folder = tempfile.mkdtemp(prefix='bookmatch-browser-')
        to_browser, self._out = os.pipe()
        self._in, from_browser = os.pipe()
        command = [program, '--headless', '--remote-debugging-pipe', f'--user-data-dir={self.folder}', '--no-first-run',
                   '--disable-gpu', '--disable-dev-shm-usage', '--disable-background-networking', '--disable-extensions',
                   '--disable-component-update', '--disable-sync', '--disable-quic', '--mute-audio', *switches]
        if os.geteuid() == 0:
            command.append('--no-sandbox')  # its sandbox refuses root

        # The protocol fixes the numbers: the browser reads from 3 and writes to 4.
        def place_pipes():
            read, write = os.dup(to_browser), os.dup(from_browser)
            os.dup2(read, 3)
            os.dup2(write, 4)

        self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                                         stderr=subprocess.DEVNULL, close_fds=False, preexec_fn=place_pipes)
        os.close(to_browser)
        os.close(from_browser)
        self._buffer = b''
        self._number = 0
        self._session = None
        self.complaints = []
        self.downloads = os.path.join(self.folder, 'downloads')
        os.mkdir(self.downloads)
        target = self.call('Target.createTarget', url='about:blank')['targetId']
        self._session = self.call('Target.attachToTarget', targetId=target, flatten=True)['sessionId']
        for domain in ('Page', 'Runtime', 'Log', 'Network'):
            self.call(f'{domain}.enable')

    def close(self):
        os.close(self._out)
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._in)
        shutil.rmtree(self.folder, ignore_errors=True)

    def _read(self, until):
        while b'\0' not in self._buffer:
            if not select.select([self._in], [], [], max(0.0, until - time.monotonic()))[0]:
                raise TimeoutError('the browser does not answer')
            got = os.read(self._in, 1 << 20)
            if not got:
                raise ConnectionError('the browser has ended')
            self._buffer += got
        message, self._buffer = self._buffer.split(b'\0', 1)
        return json.loads(message)

    def call(self, method, **params):
        """Call a method of the protocol and return its result; events that come meanwhile are looked through."""
        self._number += 1
        message = {'id': self._number, 'method': method, 'params': params}
        if self._session:
            message['sessionId'] = self._session
        data = json.dumps(message).encode() + b'\0'
        while data:
            data = data[os.write(self._out, data):]
        until = time.monotonic() + 30.0
        while True:
            answer = self._read(until)
            if answer.get('id') == self._number:
                if 'error' in answer:
                    raise RuntimeError(f'{method}: {answer["error"]["message"]}')
                return answer['result']
            self._look_at(answer)

    def _look_at(self, event):
        params = event.get('params', {})
        method = event.get('method')
        if method == 'Runtime.consoleAPICalled' and params['type'] in ('error', 'warning', 'assert'):
            self.complaints.append(' '.join(str(a.get('value', a.get('description'))) for a in params['args']))
        elif method == 'Runtime.exceptionThrown':
            details = params['exceptionDetails']
            self.complaints.append(details.get('exception', {}).get('description', details['text']))
        elif method == 'Log.entryAdded' and params['entry']['level'] in ('error', 'warning'):
            self.complaints.append(params['entry']['text'])
        elif method == 'Network.requestWillBeSent' and not params['request']['url'].startswith(('file:', 'data:', 'blob:', 'about:')):
            self.complaints.append('asks the network for ' + params['request']['url'])

    def run(self, script):
        """The value of an expression; a promise is waited for."""
        result = self.call('Runtime.evaluate', expression=script, returnByValue=True, awaitPromise=True, userGesture=False)
        if 'exceptionDetails' in result:
            details = result['exceptionDetails']
            raise RuntimeError(details.get('exception', {}).get('description', details['text']))
        return result['result'].get('value')

    def wait_for(self, script, seconds=10.0):
        """Wait until an expression is true."""
        until = time.monotonic() + seconds
        while not self.run(script):
            if time.monotonic() > until:
                raise TimeoutError(f'in vain: {script}')
            time.sleep(0.02)

    def open(self, path):
        self.call('Page.navigate', url='file://' + os.path.abspath(path))
        self.wait_for('document.readyState === "complete"')

    def size(self, width, height, is_dark=False):
        self.call('Emulation.setDeviceMetricsOverride', width=width, height=height, deviceScaleFactor=1, mobile=False)
        self.call('Emulation.setEmulatedMedia',
                  features=[{'name': 'prefers-color-scheme', 'value': 'dark' if is_dark else 'light'}])

    def press(self, key):
        """Press a key as a person does."""
        codes = {'Enter': 13, ' ': 32, 'Home': 36, 'ArrowLeft': 37, 'ArrowRight': 39, 'Tab': 9}
        text = '\r' if key == 'Enter' else key if len(key) == 1 else ''
        event = {'key': key, 'windowsVirtualKeyCode': codes.get(key, ord(key.upper()) if len(key) == 1 else 0)}
        self.call('Input.dispatchKeyEvent', type='keyDown' if text else 'rawKeyDown', text=text, **event)
        self.call('Input.dispatchKeyEvent', type='keyUp', **event)

    def mouse(self, kind, x, y):
        self.call('Input.dispatchMouseEvent', type=kind, x=x, y=y, button='left', clickCount=1)

    def click(self, selector):
        x, y = self.run(f'''(() => {{ const e = document.querySelector({json.dumps(selector)}); e.scrollIntoView({{block: "center"}});
            const b = e.getBoundingClientRect(); return [b.x + b.width / 2, b.y + b.height / 2]; }})()''')
        self.mouse('mousePressed', x, y)
        self.mouse('mouseReleased', x, y)

    def picture(self, path, whole=False):
        data = self.call('Page.captureScreenshot', format='png', captureBeyondViewport=whole)['data']
        with open(path, 'wb') as file:
            file.write(base64.b64decode(data))
