// Expands rules.tsv (standard input) with ical.js: id and the first twelve instances before 2100, tab-separated.
// Run it where node finds the package ical.js. Some rules it never comes back from: each has two seconds, in a worker.
import { readFileSync } from 'node:fs'
import { createRequire } from 'node:module'
import { fileURLToPath } from 'node:url'
import { Worker, isMainThread, parentPort } from 'node:worker_threads'

const require = createRequire(process.cwd() + '/')

function expand(ICAL, start, rule) {
  try {
    const s = start.replace(/(....)(..)(..)T(..)(..)(..)/, '$1-$2-$3T$4:$5:$6')
    const it = ICAL.Recur.fromString(rule).iterator(ICAL.Time.fromDateTimeString(s))
    const seen = []
    for (let t; seen.length < 12 && (t = it.next()) && t.year < 2100;) seen.push(t.toICALString().replace('Z', ''))
    return seen.join(' ')
  } catch (e) {
    return 'none: ' + String(e.message).split('\n')[0]
  }
}

if (isMainThread) {
  let worker
  const ask = (start, rule) => new Promise((resolve) => {
    worker ??= new Worker(fileURLToPath(import.meta.url))
    const late = setTimeout(() => { worker.terminate(); worker = undefined; resolve('none: too slow') }, 2000)
    worker.once('message', (m) => { clearTimeout(late); resolve(m) })
    worker.postMessage([start, rule])
  })
  for (const line of readFileSync(0, 'utf8').split('\n').filter(Boolean)) {
    const [name, start, rule] = line.split('\t')
    console.log(name + '\t' + await ask(start, rule))
  }
  worker?.terminate()
} else {
  const loaded = require('ical.js')
  const ICAL = loaded.default ?? loaded
  parentPort.on('message', ([start, rule]) => parentPort.postMessage(expand(ICAL, start, rule)))
}
