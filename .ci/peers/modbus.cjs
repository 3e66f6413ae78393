// A Modbus TCP server made with modbus-serial: registers and coils that keep what is written, and a SunSpec map at 40000
// with models 1 and 124. usage: node modbus.cjs PORT
const { createRequire } = require('node:module')
const { ServerTCP } = createRequire(process.cwd() + '/')('modbus-serial')

const holding = new Map(), coils = new Map()
for (let i = 0; i < 200; i++) holding.set(i, 0)
const map = [0x5375, 0x6e53, 1, 66, ...Array(66).fill(0), 124, 24, ...Array(24).fill(0), 0xffff, 0]
map.forEach((word, i) => holding.set(40000 + i, word))
const model124 = 40000 + 2 + 68
holding.set(model124 + 18, 1) // WChaMax_SF: tens of watts
holding.set(model124 + 6, 0xffff) // VAChaMax: not implemented
holding.set(model124 + 8, 8750) // ChaState
holding.set(model124 + 22, 0xfffe) // ChaState_SF: hundredths

const known = (table, at) => {
  if (!table.has(at)) throw Object.assign(new Error('no such register'), { modbusErrorCode: 2 })
  return table.get(at)
}
new ServerTCP({
  getHoldingRegister: (at) => known(holding, at),
  getInputRegister: (at) => at + 1,
  getCoil: (at) => coils.get(at) ?? false,
  getDiscreteInput: (at) => at % 2 === 1,
  setRegister: (at, value) => { known(holding, at); holding.set(at, value) },
  setCoil: (at, value) => { coils.set(at, value) },
}, { host: '127.0.0.1', port: Number(process.argv[2]), unitID: 7 })
